"""Mirror planes, and the left/right pairs of features about one."""

from dataclasses import dataclass

import numpy as np

from ..records import Array, Feature, Frozen
from .frames import basis, unit

KINDS = ("hole", "slot", "stud", "bolt-axis", "sleeve")
"""Kinds whose point is one place, not somewhere along a line."""
REACH = 15.0
SMALL = 2.0
"""How far in mm partners may lie from each other's mirror image, and differ in diameter."""


@dataclass(frozen=True, eq=False)
class Mirror(Frozen):
    """The plane normal . p = offset, mm, normal at length one."""

    normal: Array
    offset: float

    def heights(self, points: Array) -> Array:
        return points @ self.normal - self.offset

    def reflect(self, points: Array) -> Array:
        return points - 2 * self.heights(points)[:, None] * self.normal

    def by_step(self, points: Array) -> Array:
        """Derivative (k, 3, 3) of the mirrored points (k, 3) by a step of `moved`."""
        n, h = self.normal, self.heights(points)
        u, v, _ = basis(n)
        turns = [-2 * ((points @ e)[:, None] * n + h[:, None] * e) for e in (u, v)]
        return np.stack([*turns, np.broadcast_to(2 * n, points.shape)], axis=2)

    def moved(self, step: Array) -> "Mirror":
        """Turned by step[0], step[1] rad towards its basis' u and v, shifted by step[2] mm."""
        u, v, _ = basis(self.normal)
        return Mirror(unit(self.normal + step[0] * u + step[1] * v), self.offset + float(step[2]))


@dataclass(frozen=True, eq=False)
class Pair(Frozen):
    """Features `left` and `right` by index. miss (3,): the left one mirrored, less the right one, mm; cov (3, 3)."""

    left: int
    right: int
    miss: Array
    cov: Array


def pairs_of(found: tuple[Feature, ...], middle: Array, mirror: Mirror) -> tuple[Pair, ...]:
    """Features of one kind and size that lie within 15 mm of each other's mirror image; each in one pair at most.

    Points about `middle`. `left` is on the side of the plane's normal. Where two could be the partner, neither is.
    """
    rows = [i for i, f in enumerate(found) if f.kind in KINDS and np.isfinite([f.diameter, *f.cov.ravel()]).all()]
    at = np.array([found[i].point - middle for i in rows]).reshape(-1, 3)
    height = mirror.heights(at)
    left = [k for k in range(len(rows)) if height[k] > REACH]
    right = [k for k in range(len(rows)) if height[k] < -REACH]
    if not left or not right:
        return ()
    miss = mirror.reflect(at[left])[:, None] - at[right]
    fits = np.linalg.norm(miss, axis=2) < REACH
    for a, b in np.argwhere(fits):
        fits[a, b] = _alike(found[rows[left[a]]], found[rows[right[b]]], mirror)
    alone = fits & (fits.sum(1) == 1)[:, None] & (fits.sum(0) == 1)
    flip = np.eye(3) - 2 * np.outer(mirror.normal, mirror.normal)
    return tuple(
        Pair(i, j, miss[a, b], flip @ found[i].cov @ flip + found[j].cov)
        for a, b in np.argwhere(alone)
        for i, j in [(rows[left[a]], rows[right[b]])]
    )


def _alike(f: Feature, g: Feature, mirror: Mirror) -> bool:
    n = mirror.normal
    facing = abs(float((f.axis - 2 * (f.axis @ n) * n) @ g.axis))
    near = abs(f.diameter - g.diameter) < SMALL + 2 * float(np.hypot(f.u_diameter, g.u_diameter))
    return f.kind == g.kind and facing > 0.9 and near
