"""First guesses of mirror planes: from pairs of points that look like mirror images, scored on a distance field."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

from barerail.forked import mapped
from barerail.geometry.mirror import Mirror
from barerail.records import Array, Frozen

from .refine import ALIKE
from .surface import Surface

PAIRS = 3000
APART = 250.0
"""Least distance in mm of two points that vote for a plane between them."""
REACH = 60.0
SHIFT, STEP = 600.0, 30.0
"""Planes across a known way are tried this far from the middle of the scan, in steps, mm."""
ONE_WAY = 3
PROBES = 600
CELLS = 2_000_000
LOT = 64
"""Planes that are scored at once."""


def wendland(distance: Array, reach: float) -> Array:
    """Wendland's C2 function (1 - t)^4 (4 t + 1) of t = distance / reach: 1 at 0, 0 from `reach` on."""
    t = np.minimum(np.abs(distance) / reach, 1.0)
    return (1 - t) ** 4 * (4 * t + 1)


def candidates(rough: Surface, guesses: list[Array], keep: int) -> list[Mirror]:
    """The `keep` best distinct planes across the ways `guesses` or the principal axes and between 3000 alike points.

    After Hruda, Kolingerova & Vasa 2022 (pair planes on few points, a similarity of compact support).
    """
    axes = np.linalg.eigh(np.cov(rough.points.T))[1].T
    shifts = np.arange(-SHIFT, SHIFT + 1, STEP)
    planes = [Mirror(a, float(d)) for a in (*guesses, *axes) for d in shifts] + _pair_planes(rough)
    field = _field(rough.points, axes)
    probes = rough.fewer(PROBES).points
    normals, offsets = np.array([p.normal for p in planes]), np.array([p.offset for p in planes])

    def scores(first: int) -> Array:
        n, d = normals[first : first + LOT, None], offsets[first : first + LOT, None]
        mirrored = probes - 2 * (n @ probes.T - d[..., None]).transpose(0, 2, 1) * n
        return wendland(field.at(mirrored.reshape(-1, 3)), REACH).reshape(len(n), -1).mean(axis=1)

    score = np.concatenate(mapped(scores, range(0, len(planes), LOT)))
    return _distinct([planes[i] for i in np.argsort(-score, kind="stable")], keep)


def _pair_planes(rough: Surface) -> list[Mirror]:
    """Planes half-way between random points whose normals are mirror images; the same for the same points."""
    i, j = np.random.default_rng(0).integers(0, len(rough.points), (2, 40 * PAIRS))
    between = rough.points[i] - rough.points[j]
    distance = np.linalg.norm(between, axis=1)
    far = distance > APART
    i, j, n = i[far], j[far], between[far] / distance[far, None]
    a, b = rough.normals[i], rough.normals[j]
    cosine = np.einsum("ij,ij->i", a - 2 * np.einsum("ij,ij->i", a, n)[:, None] * n, b)
    alike = np.flatnonzero(cosine > (1 + ALIKE) / 2)[:PAIRS]
    middle = (rough.points[i[alike]] + rough.points[j[alike]]) / 2
    return [Mirror(v, float(v @ m)) for v, m in zip(n[alike], middle)]


def _distinct(planes: list[Mirror], keep: int) -> list[Mirror]:
    """The first `keep` planes that differ by more than 6 degrees, or 60 mm at the middle of the scan.

    At most three that face one way: a straight rail mirrors on to itself across any place along it, and those planes
    would crowd out all others.
    """
    kept: list[Mirror] = []
    for p in planes:
        one_way = sum(same_plane(p, q, 20.0, np.inf) for q in kept)
        if one_way < ONE_WAY and not any(same_plane(p, q, 6.0, 60.0) for q in kept):
            kept.append(p)
        if len(kept) == keep:
            break
    return kept


def same_plane(a: Mirror, b: Mirror, degrees: float, mm: float) -> bool:
    """Whether two planes agree within `degrees`, and within `mm` at the middle of the scan."""
    cosine = float(a.normal @ b.normal)
    return abs(cosine) > np.cos(np.radians(degrees)) and abs(a.offset - np.sign(cosine) * b.offset) < mm


@dataclass(frozen=True, eq=False)
class Field(Frozen):
    """Distance to the nearest surface on a grid of `cell` mm along `axes` (3, 3), its corner at `low` (3,)."""

    axes: Array
    low: Array
    cell: float
    distance: Array

    def at(self, points: Array) -> Array:
        """Distance (n,) in mm from `points` (n, 3) to the surface; beyond the grid that of its border, over REACH."""
        where = ((points @ self.axes.T - self.low) / self.cell).astype(np.int32)
        np.clip(where, 0, np.array(self.distance.shape) - 1, out=where)
        return self.distance[where[:, 0], where[:, 1], where[:, 2]]


def _field(points: Array, axes: Array) -> Field:
    local = points @ axes.T
    size = np.ptp(local, axis=0) + 2 * REACH
    cell = max(15.0, float(np.cbrt(np.prod(size) / CELLS)))
    low, size = local.min(0) - REACH - cell, size + 2 * cell
    free = np.ones(np.ceil(size / cell).astype(int) + 1, bool)
    free[tuple(np.floor((local - low) / cell).astype(int).T)] = False
    return Field(axes, low, cell, distance_transform_edt(free) * cell)
