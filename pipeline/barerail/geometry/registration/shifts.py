"""How far one scan may be shifted to lie on another, once turned: all shifts at once, by correlation."""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfftn, next_fast_len, rfftn
from scipy.ndimage import gaussian_filter, maximum_filter

from barerail.geometry.frames import rigid
from barerail.geometry.registration.surface import Bounds, Surface
from barerail.records import Array, Index

CELLS = 2_500_000
"""About the most cells of a raster: larger ones are made coarser."""
NEAR, FAR = 1, 3
"""Cells off the surface between which a scan shows that there is none: nearer may be the same, farther wasn't seen."""
BLUR = 0.8
"""Smoothing of the correlation, cells: surfaces that fall just across a cell's side still count."""
AGAINST = 0.6
"""What a cell that contradicts weighs against one that agrees (judgement)."""


def shifts(target: Surface, moving: Surface, turn: Array, voxel: float, most: int) -> tuple[Array, Array]:
    """Poses (k, 4, 4) of `moving`, turned by `turn` and shifted, and their scores (k,), the best first.

    Cells of `voxel` mm count for a shift where both have a surface and their normals are alike, and against it where
    one has a surface and the other shows that close by there is none.
    """
    points = moving.points @ turn.T
    volume = float(np.prod(np.ptp(target.points, axis=0) + np.ptp(points, axis=0)))
    voxel = max(voxel, float(np.cbrt(volume / CELLS)))
    low, other = target.points.min(axis=0), points.min(axis=0)
    room = np.ceil((np.ptp(target.points, axis=0) + np.ptp(points, axis=0)) / voxel).astype(int) + 4 * FAR + 2
    shape = tuple(int(next_fast_len(int(n), True)) for n in room)
    a = _spectra(target.points - low, target.normals, voxel, shape)
    b = _spectra(points - other, moving.normals @ turn.T, voxel, shape)
    total = sum(x * np.conj(y) for x, y in zip(a[:3], b[:3]))
    total = total - AGAINST * (sum(a[:3]) * np.conj(b[3]) + a[3] * np.conj(sum(b[:3])))
    score = gaussian_filter(irfftn(total, shape, workers=-1), BLUR, mode="wrap", truncate=2.5)
    at = _peaks(score, most)
    farthest = np.ceil(np.ptp(target.points, axis=0) / voxel) + 1
    step = np.where(at > farthest, at - np.array(shape), at)
    return np.array([rigid(turn, low - other + s * voxel) for s in step]), score[tuple(at.T)]


def _spectra(points: Array, normals: Array, voxel: float, shape: tuple[int, ...]) -> list[NDArray[np.complexfloating]]:
    """Fourier transforms of the squared parts of the normals by cell, and of where close by there is no surface."""
    at = np.floor(points / voxel).astype(np.int64) + FAR
    flat = np.ravel_multi_index(tuple(at.T), shape)
    count = np.bincount(flat, minlength=int(np.prod(shape)))
    filled = np.maximum(count, 1)
    parts = [(np.bincount(flat, n * n, len(count)) / filled).astype(np.float32) for n in normals.T]
    lone = np.zeros(len(count), np.float32)
    lone[_around(np.flatnonzero(count), points, voxel, shape)] = 1.0
    return [rfftn(f.reshape(shape), workers=-1) for f in (*parts, lone)]


def _around(there: Index, points: Array, voxel: float, shape: tuple[int, ...]) -> Index:
    """Cells NEAR to FAR from those with a surface and in what the scan went round: it shows that there is none."""
    step = np.indices((2 * FAR + 1,) * 3).reshape(3, -1).T - FAR
    ball = step[np.linalg.norm(step, axis=1) <= FAR] @ _strides(shape)
    core = step[np.abs(step).max(axis=1) <= NEAR] @ _strides(shape)
    mark = np.zeros(int(np.prod(shape)), bool)
    mark[(there[:, None] + ball).ravel()] = True
    mark[(there[:, None] + core).ravel()] = False
    band = np.flatnonzero(mark)
    at = np.column_stack(np.unravel_index(band, shape)).astype(float)
    middle = (at - FAR + 0.5) * voxel
    return band[Bounds(points).hold(middle)]


def _strides(shape: tuple[int, ...]) -> Index:
    return np.array([shape[1] * shape[2], shape[2], 1])


def _peaks(score: NDArray[np.floating], most: int) -> Index:
    """Places (k, 3) of the highest local maxima."""
    top = (score == maximum_filter(score, 3, mode="wrap")) & (score > 0)
    flat = np.flatnonzero(top)
    best = flat[np.argsort(-score.ravel()[flat], kind="stable")[:most]]
    return np.column_stack(np.unravel_index(best, score.shape))
