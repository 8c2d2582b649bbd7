"""Constructed and entered points in words."""

import numpy as np

from barerail.outputs.words import expanded, fixed, one_line, rounded_up, text_table
from barerail.records import MountPoint, MountPoints

CAUTION = (
    "A constructed point is as good as what it is built on and what you typed in: look at U, measure one length by "
    "hand before you cut; a hole is no load path, a fit is no strength check"
)


def built_words(points: MountPoints) -> str:
    """One row a constructed point: place with U, and below it what it is built on and its further values with U."""
    own = [p for p in points.points if p.name in points.built]
    if not own:
        return "no constructed points: give a list, barerail construct POINTS.toml --job DIR"
    head = ("name", "state", "side", "x mm", "y mm", "z mm", "U mm", "axis", "U deg")
    table = text_table(head, [_cells(p) for p in own], (False,) * 3 + (True,) * 4 + (False, True))
    told = [f"{one_line(p.name)}: {one_line(p.note)}" for p in own]
    return "\n".join([table, "U: k = 2, the largest of U_x, U_y and U_z", *told, CAUTION])


def _cells(p: MountPoint) -> tuple[str, ...]:
    axis = " ".join(fixed(v, 4, "+") for v in p.axis) if np.any(p.axis) else ""
    turn = (
        2 * np.degrees(np.sqrt(max(0.0, float(np.linalg.eigvalsh(p.cov_axis)[-1])))) if np.any(p.cov_axis) else np.nan
    )
    place = (fixed(v, 2) for v in p.position)
    return (one_line(p.name), p.state, p.side, *place, _u(float(expanded(p.cov).max()), 2), axis, _u(float(turn), 3))


def _u(value: float, decimals: int) -> str:
    return fixed(rounded_up(value, decimals), decimals)
