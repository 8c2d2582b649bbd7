"""Holes in two walls in line, as of a rail, that one bolt may go through, and how far apart the outer faces are."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.distance import distance_U
from barerail.records import Array, MountPoint, NoiseModel, Note

WIDEST_MM = 160.0
"""Widest rail that a through-bolt is looked for in (judgement)."""
NARROWEST_MM = 15.0
ASIDE_MM = 2.0
ALIKE_MM = 1.0
LEAN = np.cos(np.radians(8.0))


def through(points: Sequence[MountPoint], noise: NoiseModel) -> tuple[list[MountPoint], list[Note]]:
    """The points, holes with a like one in line behind them noted with the outside width, U: k = 2.

    In line: both normals within 8 degrees of the line between the centres, each centre within 2 mm and its U of the
    other's axis, diameters within 1 mm and their U (judgement); each the other's nearest such hole.
    """
    holes = [i for i, p in enumerate(points) if p.kind == "hole"]
    if len(holes) < 2:
        return list(points), []
    at, axis = (np.array([getattr(points[i], k) for i in holes]) for k in ("position", "axis"))
    pairs = cKDTree(at).query_pairs(WIDEST_MM, output_type="ndarray")
    way = at[pairs[:, 1]] - at[pairs[:, 0]]
    length = np.linalg.norm(way, axis=1)
    straight = [np.abs(np.einsum("ij,ij->i", axis[pairs[:, k]], way)) >= LEAN * length for k in (0, 1)]
    likely = pairs[straight[0] & straight[1] & (length >= NARROWEST_MM)]
    lined = [(i, j) for i, j in likely.tolist() if _one_bolt(points[holes[i]], points[holes[j]])]
    nearest = {i: min((float(np.linalg.norm(at[a] - at[b])), a + b - i) for a, b in lined if i in (a, b))[1]
               for i in {k for pair in lined for k in pair}}  # fmt: skip
    out = list(points)
    both = [(holes[i], holes[j]) for i, j in nearest.items() if i < j and nearest[j] == i]
    for i, j in both:
        width, U = outside(points[i], points[j], noise)
        for one, other in ((i, j), (j, i)):
            length = f"{width:.1f} mm outside (U {_up(U):.1f})"
            told = f"in line with {points[other].name}: one bolt may go through both, {length}"
            out[one] = replace(out[one], note="; ".join(filter(None, (out[one].note, told))))
    text = "holes in two walls in line that one bolt may go through, see their notes; how = through makes one of two"
    return out, [Note("points", text, len(both))] if both else []


def outside(a: MountPoint, b: MountPoint, noise: NoiseModel) -> tuple[float, float]:
    """Distance of the outer faces along the line between two holes, and its U (k = 2), mm; the datum cancels."""
    way = (b.position - a.position) / np.linalg.norm(b.position - a.position)
    deep = [max([0.0, *(side * ((end - p.position) @ way) for end in p.ends)]) for p, side in ((a, -1), (b, 1))]
    return float(np.linalg.norm(b.position - a.position)) + sum(deep), distance_U(a, b, noise)


def _one_bolt(a: MountPoint, b: MountPoint) -> bool:
    way = b.position - a.position
    aside = [way - (way @ p.axis) * p.axis for p in (a, b)]
    spread = [_across(p.cov_local, p.axis) for p in (a, b)]
    near = all(
        np.linalg.norm(v) <= ASIDE_MM + 2 * np.hypot(spread[0], spread[1]) + _lean(p, way)
        for v, p in zip(aside, (a, b))
    )
    return near and abs(a.diameter - b.diameter) <= ALIKE_MM + 2 * float(np.hypot(a.u_diameter, b.u_diameter))


def _across(cov: Array, axis: Array) -> float:
    """Largest standard uncertainty across an axis."""
    flat = np.eye(3) - np.outer(axis, axis)
    return float(np.sqrt(max(np.linalg.eigvalsh(flat @ cov @ flat)[-1], 0.0)))


def _lean(p: MountPoint, way: Array) -> float:
    """How far off the axis alone may lead at the other hole, mm: its own U times the distance."""
    return 2 * float(np.sqrt(max(np.linalg.eigvalsh(p.cov_axis)[-1], 0.0)) * np.linalg.norm(way))


def _up(U: float) -> float:
    return float(np.ceil(U * 10 - 1e-9) / 10)
