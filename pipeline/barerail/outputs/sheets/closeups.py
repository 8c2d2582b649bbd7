"""Every feature close up: the full-resolution points around it, what was fitted, and how far each point lies off."""

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.frames import basis, transform
from barerail.geometry.neighbours import rows_of
from barerail.outputs.page_view import with_u
from barerail.outputs.sheets.paper import Disc, Label, Mark, Paper, Raster, Stroke
from barerail.outputs.words import one_line
from barerail.records import CHASSIS, Array, CleanScan, Datum, MountPoint

KINDS = ("hole", "slot", "stud", "bolt-axis", "sleeve", "tube")
ACROSS, DOWN, BOX, PIXELS = 6, 3, 52.0, 240
LOW, LEVEL, HIGH = np.array([42, 92, 168]), np.array([150, 152, 148]), np.array([180, 83, 26])
FULL_MM = 0.5
"""Residual at the ends of the colours."""
POOR_ARC_DEG = 180.0
TAB_MM = 1.5
"""Thinner than a tab: its other face does not count as points off this one."""


def closeup_papers(
    clean: CleanScan, datum: Datum, points: Sequence[MountPoint], size: tuple[float, float]
) -> list[Paper]:
    """Sheets of 18 features each, in the order of the table of points."""
    cells = np.flatnonzero(clean.label == CHASSIS)
    at = transform(datum.car_from_scan, clean.thin[cells])
    tree = cKDTree(at)
    mine = [p for p in points if p.kind in KINDS and np.isfinite(p.position).all() and np.any(p.axis)]
    papers = []
    for first in range(0, len(mine), ACROSS * DOWN):
        marks: list[Mark] = [Label((12, size[1] - 14), _heading(), 3.0)]
        for k, p in enumerate(mine[first : first + ACROSS * DOWN]):
            corner = (12 + (k % ACROSS) * (size[0] - 24) / ACROSS, size[1] - 76 - (k // ACROSS) * (BOX + 28))
            near = cells[np.sort(np.array(tree.query_ball_point(p.position, 1.8 * reach_of(p)), np.int64))]
            rows = rows_of(near, clean.order, clean.start)
            around = transform(datum.car_from_scan, np.asarray(clean.scan.points[rows]))
            marks += _closeup(p, around, corner)
        papers.append(Paper(f"closeups-{1 + first // (ACROSS * DOWN)}", size, marks))
    return papers


def _heading() -> str:
    return (
        f"Close up, seen against the axis: scan points by how far they lie off the face or the cylinder, blue "
        f"{FULL_MM} mm under, orange {FULL_MM} mm over, grey on it; red: what was fitted"
    )


def reach_of(p: MountPoint) -> float:
    """Half the side of a close-up, mm."""
    across = p.length if p.kind == "slot" and np.isfinite(p.length) else p.diameter
    return 0.75 * float(np.nan_to_num(across, nan=20.0)) + 8.0


def residuals(p: MountPoint, points: Array) -> tuple[Array, Array]:
    """Places (n, 2) across the axis and residuals (n,) in mm of the points that belong to the feature.

    Holes and slots: height over the face, within 3 mm of it; bolt axes: over the tabs' inner faces, within 1.5 mm. The
    others: distance from the cylinder, within 3 mm.
    """
    frame = np.vstack([basis(p.axis)[:2], p.axis / np.linalg.norm(p.axis)])
    local = (points - p.position) @ frame.T
    if p.kind in ("hole", "slot"):
        off = local[:, 2]
    elif p.kind == "bolt-axis" and np.isfinite(p.length):
        off = np.abs(local[:, 2]) - p.length / 2
        off = np.where(np.abs(off) < TAB_MM, off, np.inf)
    else:
        half = np.nan_to_num(p.length, nan=20.0) / 2 + 10
        off = np.linalg.norm(local[:, :2], axis=1) - p.diameter / 2
        off = np.where(np.abs(local[:, 2]) < half + (half if p.kind == "stud" else 0), off, np.inf)
    keep = np.abs(off) < 3.0
    return local[keep, :2], off[keep]


def _closeup(p: MountPoint, points: Array, corner: tuple[float, float]) -> list[Mark]:
    reach = reach_of(p)
    at, off = residuals(p, points)
    x, y = corner
    k = BOX / (2 * reach)
    middle = (x + BOX / 2, y + BOX / 2)
    marks: list[Mark] = [Raster((x, y), (BOX, BOX), _dots(at, off, reach))]
    marks.append(Stroke([(x, y), (x + BOX, y), (x + BOX, y + BOX), (x, y + BOX), (x, y)], "#b0b4b0"))
    if np.isfinite(p.diameter):
        marks += _outline(p, middle, k)
    doubtful = p.arc_deg < POOR_ARC_DEG if np.isfinite(p.arc_deg) else False
    kind = "sleeve outside" if p.bore_unseen else p.kind
    text = f"{kind} {with_u(p.diameter, 2 * p.u_diameter, 'mm')}"
    rest = f"{p.n} points, {p.rms:.2f} mm rms" + (f", {p.arc_deg:.0f} deg of arc" if np.isfinite(p.arc_deg) else "")
    marks += [
        Label((x, y - 4), one_line(p.name)[:38], 2.6),
        Label((x, y - 7.5), text, 2.1),
        Label((x, y - 11), ("LOOK: " if doubtful else "") + rest, 2.1, "#a8201a" if doubtful else "#202428"),
    ]
    return marks


def _outline(p: MountPoint, middle: tuple[float, float], k: float) -> list[Mark]:
    """The fitted circle, or the slot's outline, and its centre."""
    r, red = k * p.diameter / 2, "#c01818"
    cross: list[Mark] = [
        Stroke([(middle[0] - 1, middle[1]), (middle[0] + 1, middle[1])], red, 0.2),
        Stroke([(middle[0], middle[1] - 1), (middle[0], middle[1] + 1)], red, 0.2),
    ]
    if p.kind != "slot" or not np.isfinite(p.along).all() or not np.isfinite(p.length):
        return [Disc(middle, r, red, False), *cross]
    way = basis(p.axis)[:2] @ p.along
    way = way / np.linalg.norm(way)
    half, turn = k * (p.length - p.diameter) / 2, np.arctan2(way[1], way[0])
    bow = np.linspace(-np.pi / 2, np.pi / 2, 16)
    ends = [(turn + bow, half), (turn + np.pi + bow, -half)]
    path = [
        (float(middle[0] + s * way[0] + r * np.cos(a)), float(middle[1] + s * way[1] + r * np.sin(a)))
        for angles, s in ends
        for a in angles
    ]
    return [Stroke([*path, path[0]], red, 0.25), *cross]


def _dots(at: Array, off: Array, reach: float) -> np.ndarray:
    """Points as dots of three pixels, those furthest off on top."""
    image = np.full((PIXELS, PIXELS, 3), 255, np.uint8)
    share = np.clip(off / FULL_MM, -1, 1)[:, None]
    colour = np.where(share < 0, LEVEL + share * (LEVEL - LOW), LEVEL + share * (HIGH - LEVEL)).astype(np.uint8)
    cell = np.floor((at / reach + 1) / 2 * PIXELS).astype(int)
    order = np.argsort(np.abs(off), kind="stable")
    inside = order[(cell[order] >= 0).all(axis=1) & (cell[order] < PIXELS - 2).all(axis=1)]
    for dx in (0, 1, 2):
        for dy in (0, 1, 2):
            image[PIXELS - 1 - cell[inside, 1] - dy, cell[inside, 0] + dx] = colour[inside]
    return image
