"""Bolt axes for kinematics sheets: a row an axis, its left and its right side by side."""

import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from barerail.outputs.cells import PLAIN, TEXT, Style, csv_table
from barerail.outputs.header import header_lines, states
from barerail.outputs.words import expanded
from barerail.records import Datum, MountPoint, MountPoints

_ONE = {
    "name": TEXT,
    **dict.fromkeys(("x_mm", "y_mm", "z_mm", "U_x_mm", "U_y_mm", "U_z_mm"), 3),
    **dict.fromkeys(("axis_x", "axis_y", "axis_z"), 6),
    "U_axis_deg": 3,
    **dict.fromkeys(("gap_mm", "diameter_mm"), 3),
    "state": TEXT,
}
SIDES = ("left", "right", "centre")
COLUMNS = {"axis": TEXT, **{f"{side}_{key}": d for side in SIDES for key, d in _ONE.items()}}
MEANING = (
    "x, y, z: mid-way between the inner faces of the bracket, on the bolt line; gap: between the inner faces; it is a "
    "pivot only with equal spacers; sides as seated, facing forward; centre: an axis without a partner near y = 0"
)


def bolt_axes_csv(points: MountPoints, datum: Datum, style: Style = PLAIN) -> bytes:
    """One row a bolt axis, front to rear as in points.csv; empty cells for a side that has none. U at k = 2.

    points: lengths in the style's unit (`view.scaled`).
    """
    lines = header_lines("bolt axes, left and right side by side", datum, style, columns=MEANING, **states(points))
    return csv_table(lines, COLUMNS, _rows(points), style)


def _rows(points: MountPoints) -> Iterator[dict[str, Any]]:
    axes = {p.name: p for p in points.points if p.kind == "bolt-axis"}
    told: set[str] = set()
    for p in axes.values():
        if p.name not in told:
            both = [q for q in (p, axes.get(p.partner)) if q is not None]
            told |= {q.name for q in both}
            yield _row(both)


def _row(both: list[MountPoint]) -> dict[str, Any]:
    stem = re.sub(r"-[LR]$", "", both[0].name)
    row: dict[str, Any] = {key: "" if d == TEXT else np.nan for key, d in COLUMNS.items()} | {"axis": stem}
    for p in both:
        side = {"L": "left", "R": "right"}.get(p.side, "centre")
        row |= {f"{side}_{key}": value for key, value in zip(_ONE, _values(p), strict=True)}
    return row


def _values(p: MountPoint) -> tuple[Any, ...]:
    tilt = 2 * np.degrees(np.sqrt(max(0.0, np.linalg.eigvalsh(p.cov_axis)[-1]))) if np.any(p.cov_axis) else np.nan
    axis = p.axis if np.any(p.axis) else np.full(3, np.nan)
    return (p.name, *p.position, *expanded(p.cov), *axis, tilt, p.length, p.diameter, p.state)
