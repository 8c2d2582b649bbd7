"""Which cells of a cloud lie in one plane, and which hold both faces of a sheet."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.neighbours import Cells, rows_of
from barerail.records import Array, Index

Mask = NDArray[np.bool_]
EACH, CHUNK = 4, 4000
"""Points looked at, at most, of each cell of a block, and blocks at a time."""
LOOKS = ((20, 2.5), (10, 1.6))
"""Cells of a block, and its radius in cells: what doesn't part in the wide look is looked at more closely."""
SHEET = 6.5
"""Thickest sheet in mm of which one block sees both faces: under the width of the narrowest hole looked for."""
THIN = 0.25
"""Least standard deviation in mm across a block of two layers: sheet of 0.8 mm, an eighth of it on one side."""
APART, SHARE, BETWEEN = 7.0, 0.12, 0.04
"""Least distance of two layers in standard deviations about them (evenly spread points part at 3.5, those of a small
bore at 5), the least share of points in one, and the most in the half between them (of a bore's wall a sixth)."""


@dataclass(frozen=True)
class Layers:
    """Of m cells: direction (m, 3) across them, rms (m,) in mm about the plane or the two, and whether they are neither
    flat nor parted in two (m,) `edge`; of n points: layer (n,) is 1 or -1 along the direction where its cell has two,
    else 0."""

    normal: Array
    rough: Array
    edge: Mask
    layer: NDArray[np.int8]


def layers_of(points: Array, cells: Cells, near: Index, voxel: float) -> Layers:
    """The layers of cells of `voxel` mm of points (n, 3) mm; near (m, k): each cell's nearest, -1 for none."""
    normal, rough = _coarse(points, cells, near)
    layer = np.zeros(len(points), np.int8)
    edge = rough > THIN
    for around, wide in LOOKS:
        left = np.flatnonzero(edge)
        for a in range(0, len(left), CHUNK):
            rows = left[a : a + CHUNK]
            way, cut, within, two = _parted(*_block(points, cells, near[:, :around], rows), wide * voxel)
            rows, way, cut = rows[two], way[two], cut[two]
            normal[rows], rough[rows], edge[rows] = way, within[two], False
            mine = rows_of(rows, cells.order, cells.start)
            of = np.repeat(np.arange(len(rows)), np.diff(cells.start)[rows])
            height = np.einsum("ij,ij->i", points[mine] - cells.mean[rows[of]], way[of])
            layer[mine] = np.where(height > cut[of], 1, -1)
    return Layers(normal, rough, edge, layer)


def some_of(cells: Cells, at: Index) -> tuple[Index, Mask]:
    """Rows (..., EACH) of up to EACH points evenly out of each cell, and which of these there are."""
    count = np.diff(cells.start)[at]
    take = np.minimum(count, EACH)
    step = np.arange(EACH)
    present = step < take[..., None]
    pick = cells.start[at][..., None] + (step * count[..., None]) // take[..., None]
    return cells.order[np.where(present, pick, 0)], present


def _coarse(points: Array, cells: Cells, near: Index) -> tuple[Array, Array]:
    """Directions (m, 3) of least variance of each cell's block, and the standard deviations (m,) along them."""
    count = np.diff(cells.start).astype(float)
    off = points[cells.order] - np.repeat(cells.mean, np.diff(cells.start), axis=0)
    own = np.empty((len(count), 3, 3))
    for i, j in zip(*np.triu_indices(3), strict=True):
        own[:, i, j] = own[:, j, i] = np.add.reduceat(off[:, i] * off[:, j], cells.start[:-1])
    scatter, total, first = own.copy(), count.copy(), np.zeros_like(cells.mean)
    for column in near.T:
        some, at = column >= 0, np.maximum(column, 0)
        n = np.where(some, count[at], 0.0)
        step = cells.mean[at] - cells.mean
        scatter += np.where(some[:, None, None], own[at], 0.0) + n[:, None, None] * step[:, :, None] * step[:, None]
        first += n[:, None] * step
        total += n
    scatter -= first[:, :, None] * first[:, None] / total[:, None, None]
    size, way = np.linalg.eigh(scatter)
    return way[:, :, 0], np.sqrt(np.maximum(size[:, 0], 0.0) / total)


def _block(points: Array, cells: Cells, near: Index, rows: Index) -> tuple[Array, Mask]:
    """Points (k, 3, p) about each cell's mean, some of each cell of its block, and which are there (k, p)."""
    group = np.column_stack([rows, near[rows]])
    index, present = some_of(cells, np.maximum(group, 0))
    present &= (group >= 0)[..., None]
    local = points[index.reshape(len(rows), -1)] - cells.mean[rows][:, None]
    return np.ascontiguousarray(local.transpose(0, 2, 1), dtype=np.float32), present.reshape(len(rows), -1)


def _parted(local: Array, present: Mask, wide: float) -> tuple[Array, Array, Array, Mask]:
    """Normals (k, 3) of blocks, the height (k,) along each where two layers part, the rms (k,) about these, and
    whether there are two."""
    normal = _across(local, [present])
    square = (local * local).sum(1)
    for _ in range(2):
        height = np.matmul(normal[:, None], local)[:, 0]
        flat = present & (square - height**2 < wide**2)
        cut, _, two = _split(height, flat)
        up = height > cut[:, None]
        normal = _across(local, [flat & (up | ~two[:, None]), flat & ~up & two[:, None]])
    return normal.astype(float), *_split(np.matmul(normal[:, None], local)[:, 0], flat)


def _across(local: Array, layers: list[Mask]) -> Array:
    """Direction (k, 3) of least variance of points (k, 3, p), each layer about its own mean."""
    scatter = np.zeros((len(local), 3, 3), np.float32)
    for use in layers:
        n = np.maximum(use.sum(1), 1).astype(np.float32)[:, None]
        kept = local * use[:, None]
        mean = kept.sum(2) / n
        scatter += np.matmul(kept, local.transpose(0, 2, 1)) - n[..., None] * mean[:, :, None] * mean[:, None]
    return np.asarray(np.linalg.eigh(scatter)[1][:, :, 0])


def _split(height: Array, use: Mask) -> tuple[Array, Array, Mask]:
    """Where to cut heights (k, p) in two, by two means, the rms about these, and whether they are a sheet's faces."""
    cut = (np.where(use, height, np.inf).min(1) + np.where(use, height, -np.inf).max(1)) / 2
    n, total = use.sum(1), (height * use).sum(1)
    for _ in range(5):
        up = use & (height > cut[:, None])
        n_up, sum_up = up.sum(1), (height * up).sum(1)
        high, low = sum_up / np.maximum(n_up, 1), (total - sum_up) / np.maximum(n - n_up, 1)
        cut = (high + low) / 2
    square = (height**2 * use).sum(1) - n_up * high**2 - (n - n_up) * low**2
    within = np.sqrt(np.maximum(square, 0) / np.maximum(n - 2, 1))
    few, apart = np.minimum(n_up, n - n_up), high - low
    between = (use & (np.abs(height - cut[:, None]) < apart[:, None] / 4)).sum(1)
    two = (few >= 3) & (few > SHARE * n) & (apart < SHEET) & (apart > APART * within)
    two &= between <= BETWEEN * n
    return cut, within, two
