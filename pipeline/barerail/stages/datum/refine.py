"""Refinement of a mirror plane: mirrored point-to-plane with robust weights, coarse to fine."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.frames import basis
from barerail.geometry.mirror import Mirror
from barerail.geometry.robust import median, tukey_weights
from barerail.records import Array, Frozen, Index

from .surface import Surface

TUKEY = 4.0
ROUNDS, MANY = 8, 60
FINE = 12.0
"""Within wider cuts, mm, faces along the plane, which always fit, must not set the scale of what fits by themselves."""
ALIKE = 0.94
"""Least cosine of a mirrored normal and that of the point it falls on (20 degrees)."""


@dataclass(frozen=True, eq=False)
class Match(Frozen):
    """Surface points that fall on surface when mirrored: rows (k,), residual (k,) in mm along the normal there (k, 3),
    and its derivative (k, 3) by a step of `Mirror.moved`."""

    rows: Index
    residual: Array
    jacobian: Array
    there: Array


def match(source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, cut: float, slide: float) -> Match:
    """Mirror `source` and find what it falls on, within `cut` mm of its face and `slide` mm along it.

    What was seen on one side only, and rims of patches, have no such partner and don't count: a missing mirror image
    is no evidence against a plane (Ecins et al. 2017).
    """
    n = mirror.normal
    mirrored = mirror.reflect(source.points)
    distance, at = map(
        np.asarray, tree.query(mirrored, distance_upper_bound=np.hypot(cut, slide), workers=_workers(len(mirrored)))
    )
    rows = np.flatnonzero(np.isfinite(distance))
    at = at[rows]
    there = target.normals.take(at, axis=0)
    residual = np.einsum("ij,ij->i", mirrored.take(rows, axis=0) - target.points.take(at, axis=0), there)
    facing = source.normals.take(rows, axis=0)
    cosine = np.einsum("ij,ij->i", facing - 2 * (facing @ n)[:, None] * n, there)
    beside = (distance[rows] ** 2 - residual**2 < slide**2) & (np.abs(residual) < cut)
    good = beside & (cosine > ALIKE)
    rows, there = rows[good], there[good]
    u, v, _ = basis(n)
    p = source.points.take(rows, axis=0)
    height, across = mirror.heights(p), there @ n
    turns = [-2 * (p @ e * across + height * (there @ e)) for e in (u, v)]
    return Match(rows, residual[good], np.column_stack([*turns, 2 * across]), there)


def _workers(count: int) -> int:
    """Threads for so many look-ups: starting them costs more than a few thousand take."""
    return -1 if count > 20_000 else 1


def robust_scale(residual: Array, least: float) -> float:
    """1.4826 times the median size of residuals, `least` mm at least."""
    return max(1.4826 * median(np.abs(residual)), least)


def refine(
    source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, cuts: tuple[float, ...], slide: float, still: float
) -> Mirror | None:
    """The plane that mirrors `source` best onto `target`, within each of `cuts` mm in turn; None where it gets lost.

    The plane itself (3 parameters) is stepped in each round of closest points (Combes et al. 2008), by reweighted
    least squares with the Tukey biweight at 4 robust scales; a cut is done when the plane moves less than `still` mm
    at the far points.
    """
    reach = float(np.linalg.norm(source.points, axis=1).max())
    for cut in cuts:
        for _ in range(ROUNDS if cut > FINE else MANY):
            m = match(source, target, tree, mirror, cut, slide)
            if len(m.rows) < 30:
                return None
            scale = robust_scale(m.residual, cut / 20 if cut > FINE else 0.02 * slide)
            weight = source.area[m.rows] * tukey_weights(m.residual, TUKEY, scale)
            weighted = m.jacobian * weight[:, None]
            normal_matrix = weighted.T @ m.jacobian
            if np.linalg.cond(normal_matrix * np.outer(s := _sizes(reach), s)) > 1e12:
                return None
            step = np.asarray(-np.linalg.solve(normal_matrix, weighted.T @ m.residual), float)
            mirror = mirror.moved(step)
            if reach * float(np.hypot(step[0], step[1])) + abs(step[2]) < still:
                break
    return mirror


def _sizes(reach: float) -> Array:
    """Steps that move the far points alike, to judge how well a normal matrix is conditioned."""
    return np.array([1 / reach, 1 / reach, 1.0])
