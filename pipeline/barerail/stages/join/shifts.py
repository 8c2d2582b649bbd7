"""How far one scan may be shifted to lie on another, once turned: all shifts at once, by correlation."""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfftn, next_fast_len, rfftn
from scipy.ndimage import binary_dilation, gaussian_filter, maximum_filter

from barerail.geometry.frames import rigid
from barerail.records import Array, Index
from barerail.stages.join.surface import Surface

CELLS = 3_000_000
"""Most cells of a raster."""
NEAR, FAR = 1, 3
"""Cells off the surface between which a scan shows that there is none: nearer may be the same, farther wasn't seen."""
AGAINST = 0.35
"""What a cell that contradicts weighs against one that agrees (judgement)."""


def shifts(target: Surface, moving: Surface, turn: Array, voxel: float, most: int) -> tuple[Array, Array]:
    """Poses (k, 4, 4) of `moving`, turned by `turn` and shifted, and their scores (k,), the best first.

    Cells of `voxel` mm count for a shift where both have a surface and their normals are alike, and against it where
    one has a surface and the other shows that close by there is none.
    """
    points = moving.points @ turn.T
    low, other = target.points.min(axis=0), points.min(axis=0)
    room = np.ceil((np.ptp(target.points, axis=0) + np.ptp(points, axis=0)) / voxel).astype(int) + 4 * FAR + 2
    shape = tuple(int(next_fast_len(int(n), True)) for n in room)
    a = _spectra(target.points - low, target.normals, voxel, shape)
    b = _spectra(points - other, moving.normals @ turn.T, voxel, shape)
    total = sum(x * np.conj(y) for x, y in zip(a[:3], b[:3]))
    total = total - AGAINST * (sum(a[:3]) * np.conj(b[3]) + a[3] * np.conj(sum(b[:3])))
    score = irfftn(total, shape, workers=-1)
    at = _peaks(score, most)
    step = np.where(at > np.array(shape) // 2, at - np.array(shape), at)
    return np.array([rigid(turn, low - other + s * voxel) for s in step]), score[tuple(at.T)]


def _spectra(points: Array, normals: Array, voxel: float, shape: tuple[int, ...]) -> list[NDArray[np.complex128]]:
    """Fourier transforms of the squared parts of the normals by cell, and of where close by there is no surface."""
    at = np.floor(points / voxel).astype(np.int64) + FAR
    flat = np.ravel_multi_index(tuple(at.T), shape)
    count = np.bincount(flat, minlength=int(np.prod(shape)))
    filled = np.maximum(count, 1)
    parts = [np.bincount(flat, n * n, len(count)) / filled for n in normals.T]
    there = (count > 0).reshape(shape)
    ball = np.linalg.norm(np.indices((2 * FAR + 1,) * 3) - FAR, axis=0)
    around = binary_dilation(there, ball <= FAR) & ~binary_dilation(there, np.ones((2 * NEAR + 1,) * 3, bool))
    smooth = [gaussian_filter(p.reshape(shape).astype(np.float32), 0.6, truncate=2) for p in parts]
    return [rfftn(f, workers=-1) for f in (*smooth, around.astype(np.float32))]


def _peaks(score: NDArray[np.floating], most: int) -> Index:
    """Places (k, 3) of the highest local maxima."""
    top = (score == maximum_filter(score, 3, mode="wrap")) & (score > 0)
    flat = np.flatnonzero(top)
    best = flat[np.argsort(-score.ravel()[flat], kind="stable")[:most]]
    return np.column_stack(np.unravel_index(best, score.shape))
