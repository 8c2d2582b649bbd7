"""Hole patterns: the table on the screen and the page, and groups.csv."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from barerail.outputs.cells import PLAIN, TEXT, csv_table
from barerail.outputs.header import header_lines
from barerail.outputs.words import expanded, fixed, one_line, rounded_up, text_table
from barerail.records import Datum, Group, MountPoints

COLUMNS = {
    **dict.fromkeys(("group", "shape", "side", "partner", "hole"), TEXT),
    **dict.fromkeys(("off_x_mm", "off_y_mm", "off_z_mm", "off_mm", "U_off_mm"), 3),
    **dict.fromkeys(("x_mm", "y_mm", "z_mm", "pitch_mm", "U_pitch_mm", "pitch_across_mm", "U_pitch_across_mm"), 3),
    **dict.fromkeys(("circle_mm", "U_circle_mm", "out_of_square_deg", "U_out_of_square_deg"), 3),
    **dict.fromkeys(("dx_mm", "dy_mm", "dz_mm", "U_dx_mm", "U_dy_mm", "U_dz_mm"), 3),
}
"""Columns of groups.csv and their decimals: one row a hole; all but hole and off_ are of its pattern."""
MEANING = (
    "off_: the hole less its place in the ideal pattern fitted to all; x, y, z: the pattern's centre; circle: diameter "
    "of the circle through the holes; out_of_square: what the angle of its sides differs from 90 degrees; d_: the "
    "right pattern's centre mirrored to the left, less the left one's"
)
HEAD = ("pattern", "holes", "pitch mm", "U", "circle mm", "U", "off square deg", "U", "worst hole", "off mm", "U")
SIDES_HEAD = ("left", "right", "dx mm", "U", "dy mm", "U", "dz mm", "U", "pitch mm", "circle mm")


def groups_csv(points: MountPoints, datum: Datum) -> bytes:
    """groups.csv: `#` header, then one row a hole of a pattern, in the datum's axes, mm; U at k = 2, rounded up."""
    lines = header_lines("hole patterns", datum, columns=MEANING)
    return csv_table(lines, COLUMNS, (row for g in points.groups for row in _rows(g)), PLAIN)


def groups_words(points: MountPoints) -> str:
    """The table of patterns, and of those on the left against those on the right; empty where there are none."""
    if not points.groups:
        return ""
    head = text_table(HEAD, [pattern_cells(g) for g in points.groups], (False, *(True,) * 7, False, True, True))
    parts = ["Hole patterns on one face; U: k = 2, of the fit and the scanner's drift", head]
    if rows := sides_cells(points):
        parts += ["right centre mirrored to the left, less left; sizes right less left"]
        parts.insert(2, text_table(SIDES_HEAD, rows, (False, False, *(True,) * 8)))
    return "\n".join(parts)


def pattern_cells(g: Group) -> tuple[str, ...]:
    """One row of the table of patterns."""
    sizes = [(v, u) for v, u in zip(g.pitch, g.u_pitch) if np.isfinite(v)]
    worst = int(np.argmax(np.linalg.norm(g.off, axis=1)))
    far, u = float(np.linalg.norm(g.off[worst])), 2 * float(g.u_off[worst])
    return (
        one_line(g.name),
        str(len(g.holes)),
        " x ".join(fixed(v, 2) for v, _ in sizes),
        _up(2 * max((u for _, u in sizes), default=np.nan)),
        fixed(g.circle, 2),
        _up(2 * g.u_circle),
        fixed(g.lean_deg, 2),
        _up(2 * g.u_lean_deg),
        one_line(g.holes[worst]),
        fixed(far, 2),
        _up(u),
    )


def sides_cells(points: MountPoints) -> list[tuple[str, ...]]:
    """One row a pattern on the left that has a partner: how the right one's centre and sizes differ."""
    at = {g.name: g for g in points.groups}
    rows = []
    for g in points.groups:
        if g.side != "L" or not g.partner:
            continue
        right = at[g.partner]
        moved = (c for d, u in zip(g.difference, expanded(g.cov)) for c in (fixed(d, 2), _up(u)))
        pitch = [fixed(b - a, 2) for a, b in zip(g.pitch, right.pitch) if np.isfinite(b - a)]
        rows.append(
            (one_line(g.name), one_line(right.name), *moved, " x ".join(pitch), fixed(right.circle - g.circle, 2))
        )
    return rows


def _up(u: float) -> str:
    return fixed(rounded_up(u, 2), 2)


def _rows(g: Group) -> Iterator[dict[str, Any]]:
    sizes = (g.pitch[0], 2 * g.u_pitch[0], g.pitch[1], 2 * g.u_pitch[1], g.circle, 2 * g.u_circle)
    whole = (*g.centre, *sizes, g.lean_deg, 2 * g.u_lean_deg, *g.difference, *expanded(g.cov))
    for hole, off, u in zip(g.holes, g.off, g.u_off):
        own = (g.name, g.shape, g.side, g.partner, hole, *off, float(np.linalg.norm(off)), 2 * u)
        yield dict(zip(COLUMNS, (*own, *whole), strict=True))
