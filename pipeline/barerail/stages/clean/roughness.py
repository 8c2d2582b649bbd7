"""Noise of a scan before any face is known: how its points scatter about small curved patches."""

import numpy as np

from barerail.geometry.neighbours import Cells, rows_of
from barerail.records import Array, Index
from barerail.stages.clean.spacing import PROBES

FEWEST = 15
"""Fewest points about a probe that say anything (judgement)."""
LOT = 10_000
"""About how many points are worked on at once: few enough for the cache."""


def noise_of(points: Array, cells: Cells, near: Index) -> float:
    """Robust sd in mm of full-resolution points (n, 3) about a quadric through their own and next cells, where smooth.

    near (m, k): neighbours of each cell, -1 where there is none.
    """
    probe = np.linspace(0, len(cells.mean) - 1, min(PROBES, len(cells.mean))).astype(np.int64)
    ring = np.column_stack([probe, near[probe]])
    size = np.where(ring >= 0, np.diff(cells.start)[ring], 0).sum(axis=1)
    ring, size = ring[size >= FEWEST], size[size >= FEWEST]
    cuts = np.flatnonzero(np.diff(np.cumsum(size) // LOT)) + 1
    spread = [_about(r, s, points, cells) for r, s in zip(np.split(ring, cuts), np.split(size, cuts)) if len(s)]
    return float(np.quantile(np.concatenate(spread), 0.2)) if spread else float("nan")


def _about(ring: Index, size: Index, points: Array, cells: Cells) -> Array:
    """Standard deviations (k,) in mm of the points of each ring of cells (k, j), -1 for none, `size` (k,) points."""
    return _roughness(points.take(rows_of(ring[ring >= 0], cells.order, cells.start), axis=0), size)


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
