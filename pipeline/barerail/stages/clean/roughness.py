"""Noise of a scan before any face is known: how its points scatter about small curved patches."""

import numpy as np

from barerail.geometry.neighbours import Cells, rows_of
from barerail.records import Array, Index
from barerail.stages.clean.spacing import PROBES

RING, FEWEST = 18, 15
"""Most cells next to a probe's own whose points are taken, and fewest points that say anything (judgement)."""
LOT = 100
"""Probes that are worked on at once: few enough for the cache."""


def noise_of(points: Array, cells: Cells, near: Index) -> float:
    """Robust sd in mm of full-resolution points (n, 3) about a quadric through their own and next cells, where smooth.

    near (m, k): neighbours of each cell, the nearest first, -1 where there is none.
    """
    probe = np.linspace(0, len(cells.mean) - 1, min(PROBES, len(cells.mean))).astype(np.int64)
    spread = [_of(some, points, cells, near[some]) for some in np.split(probe, range(LOT, len(probe), LOT))]
    found = np.concatenate(spread)
    return float(np.quantile(found, 0.2)) if len(found) else float("nan")


def _of(probe: Index, points: Array, cells: Cells, near: Index) -> Array:
    """Standard deviations (k,) in mm about those probes that have enough points."""
    left = np.take_along_axis(near, np.argsort(near < 0, axis=1, kind="stable"), axis=1)
    ring = np.column_stack([probe, left[:, :RING]])
    there = ring >= 0
    size = np.where(there, np.diff(cells.start)[ring], 0).sum(axis=1)
    enough = size >= FEWEST
    if not enough.any():
        return np.zeros(0)
    rows = rows_of(ring[enough][there[enough]], cells.order, cells.start)
    return _roughness(points.take(rows, axis=0), size[enough])


def _roughness(points: Array, size: Index) -> Array:
    """Standard deviations (k,) in mm of patches of points about quadrics over their planes, six terms.

    points (n, 3): patch after patch; size (k,): of each.
    """
    first, patch = np.cumsum(size) - size, np.repeat(np.arange(len(size)), size)

    def sums(a: Array, b: Array) -> Array:
        return np.add.reduceat(a[:, :, None] * b[:, None, :], first, axis=0)

    d = points - (np.add.reduceat(points, first, axis=0) / size[:, None])[patch]
    spread, axes = np.linalg.eigh(sums(d, d))
    z, y, x = np.einsum("ni,nij->jn", d, axes[patch])
    scale = np.sqrt(np.maximum(spread[:, 2] / size, 1e-300))[patch]
    x, y = x / scale, y / scale
    design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    normal = np.linalg.pinv(sums(design, design), rcond=1e-12, hermitian=True)
    shape = np.einsum("kij,kj->ki", normal, sums(design, z[:, None])[:, :, 0])
    r = z - np.einsum("ni,ni->n", design, shape[patch])
    return np.asarray(np.sqrt(np.add.reduceat(r * r, first) / (size - 6)))
