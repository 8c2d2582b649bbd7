"""Thinning, nearest neighbours and normals on point sets, with numpy and scipy alone.

Every sum runs in a fixed order, so the same points give the same bytes.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from barerail.forked import mapped
from barerail.records import Array, Index

ASKEW = np.array([[2, -1, 2], [2, 2, -1], [-1, 2, 2]]) / 3
"""Turns points for cells that stand askew: of a flat face along their sides, noise would put a few points into the next
layer of cells, which would then count as much as the many."""


@dataclass(frozen=True)
class Cells:
    """Points sorted into cells: rows of cell i are order[start[i]:start[i + 1]]; mean (m, 3) of each cell."""

    mean: Array
    order: Index
    start: Index


def own_axes(points: Array) -> Array:
    """Rows (3, 3): principal axes of points (n, 3), each the way they reach further, so that these turn with them."""
    middle = points.mean(axis=0)
    axes = np.linalg.eigh(points.T @ points / len(points) - np.outer(middle, middle))[1].T
    local = (points - middle) @ axes.T
    skew = (local * local * local).mean(axis=0)  # many times as fast as a power
    return axes * np.where(skew < 0, -1.0, 1.0)[:, None]


def in_own_axes(points: Array, normals: NDArray[np.floating] | None) -> tuple[Array, NDArray[np.floating] | None]:
    """Points (n, 3) and their normals in the points' own axes: the same wherever the points lie.

    The points about their mean and turned by `ASKEW`: most faces of a car lie along its own axes.
    """
    axes = own_axes(points)
    return (points - points.mean(axis=0)) @ (ASKEW @ axes).T, None if normals is None else normals @ axes.T


def by_place(points: Array) -> Index:
    """Rows (n,) of points (n, 3) in an order of their places, along a direction in which hardly two lie at one."""
    return ranked(points @ np.sqrt([1.0, 2.0, 3.0]))


def ranked(values: NDArray[np.floating] | Index) -> Index:
    """Rows (n,) of finite values (n,) as they rise, equal ones as they come: a stable argsort in half its time or less.

    numpy sorts whole numbers, here a step of the value's and its row in one, by vector instructions, an argsort none; a
    stable one of what lies in order but for single rows goes through it once.
    """
    if not len(values):
        return np.zeros(0, np.int64)
    bits = len(values).bit_length()
    low = values.min()
    span = float(values.max()) - float(low)
    step = ((values - low) * (2.0 ** (62 - bits) / span if span else 0.0)).astype(np.int64)
    order = np.sort((step << bits) | np.arange(len(values))) & ((1 << bits) - 1)
    return order[np.argsort(values.take(order), kind="stable")]


def cell_keys(points: Array, edge: float, normals: NDArray[np.floating] | None = None) -> Index:
    """One integer a point (n,) for the cubic cell of `edge` mm it lies in; six side sectors split it with normals.

    The grid is anchored at the coordinates' own zero, so that one point more does not move it.
    """
    cell = np.floor(points / edge).astype(np.int64)
    cell -= cell.min(axis=0)
    span = cell.max(axis=0) + 1
    key = (cell[:, 0] * span[1] + cell[:, 1]) * span[2] + cell[:, 2]
    if normals is not None:
        dominant = np.argmax(np.abs(normals), axis=1)
        positive = np.take_along_axis(normals, dominant[:, None], axis=1)[:, 0] > 0
        key = key * 6 + 2 * dominant + positive
    return key


def into_cells(points: Array, key: Index) -> Cells:
    """Group points (n, 3) by equal key (n,), cells in the order of their keys."""
    order = ranked(key)
    sorted_key = key.take(order)
    start = np.flatnonzero(np.concatenate(([True], sorted_key[1:] != sorted_key[:-1])))
    count = np.diff(np.append(start, len(key)))
    mean = np.add.reduceat(points.take(order, axis=0), start, axis=0) / count[:, None]
    return Cells(mean, order, np.append(start, len(key)))


def rows_of(cells: Index, order: Index, start: Index) -> Index:
    """Full-resolution rows of the given cells, one after the other."""
    first, count = start[cells], start[cells + 1] - start[cells]
    ahead = np.repeat(first - np.concatenate(([0], np.cumsum(count)[:-1])), count)
    return order[ahead + np.arange(count.sum())]


@dataclass(frozen=True)
class Blocks:
    """Points sorted into coarse cells, each with the radius of the ball about its mean that holds its points, mm."""

    cells: Cells
    radius: Array

    def within(self, distance: Array, reach: float) -> Index:
        """Rows of the blocks of which any point may lie within reach: `distance` (k,) is that of their means, mm."""
        near = np.flatnonzero(distance < reach + self.radius)
        return np.sort(rows_of(near, self.cells.order, self.cells.start))


def blocks_of(points: Array, edge: float = 60.0) -> Blocks:
    """Blocks of `edge` mm over points (n, 3)."""
    cells = into_cells(points, cell_keys(points, edge))
    block = np.repeat(np.arange(len(cells.mean)), np.diff(cells.start))
    off = np.linalg.norm(points.take(cells.order, axis=0) - cells.mean.take(block, axis=0), axis=1)
    return Blocks(cells, np.maximum.reduceat(off, cells.start[:-1]))


def nearest(points: Array, k: int, reach: float) -> tuple[Index, Array]:
    """The k nearest neighbours (m, k) of each point without itself, and their distances; -1 and inf beyond reach."""
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    found = tree.query(points, k + 1, distance_upper_bound=reach, workers=-1)
    distance, index = np.asarray(found[0]), np.asarray(found[1])
    return np.where(np.isfinite(distance), index, -1)[:, 1:], distance[:, 1:]


def normals_of(points: Array, near: Index, chunk: int = 50_000) -> Array:
    """Unit normals (m, 3) of least variance over each point and its neighbours (m, k); sign arbitrary."""

    def some(first: int) -> Array:
        idx = near[first : first + chunk]
        diff = points[np.maximum(idx, 0)] - points[first : first + chunk, None]
        diff[idx < 0] = 0.0
        count = (idx >= 0).sum(1) + 1.0
        mean = diff.sum(1) / count[:, None]
        scatter = np.matmul(diff.transpose(0, 2, 1), diff) - count[:, None, None] * mean[:, :, None] * mean[:, None]
        return np.linalg.eigh(scatter)[1][:, :, 0]

    return np.concatenate(mapped(some, range(0, max(len(points), 1), chunk)))


def cosines(normals: Array, near: Index) -> Array:
    """Cosine (m, k) between each normal and those of its neighbours (m, k); that with the last point for none."""
    return products(normals, normals, near)


def products(ways: Array, vectors: Array, near: Index, chunk: int = 8192) -> Array:
    """Scalar product (m, k) of each way (m, 3) and those of `vectors` that `near` (m, k) names; the last for none."""
    total = np.empty(near.shape)
    x, y, z = np.ascontiguousarray(vectors.T)
    for first in range(0, len(near), chunk):  # by lots that stay in the cache
        some, way = near[first : first + chunk], ways[first : first + chunk, :, None]
        total[first : first + chunk] = way[:, 0] * x[some] + way[:, 1] * y[some] + way[:, 2] * z[some]
    return total


def convexity(points: Array, normals: Array, reach: float = 60.0, probes: int = 500) -> float:
    """Median of n . (middle of what lies within reach - point), mm: negative where normals point out of bodies."""
    probe = np.linspace(0, len(points) - 1, min(probes, len(points))).astype(np.int64)
    rough = points[:: max(1, len(points) // 60_000)]
    around = cKDTree(rough).query_ball_point(points[probe], reach, workers=-1, return_sorted=True)
    middle = np.array([rough[a].mean(0) if a else points[p] for a, p in zip(around, probe, strict=True)])
    return float(np.median(np.einsum("mi,mi->m", normals[probe], middle - points[probe])))


def flatness(normals: Array, near: Index, chunk: int = 50_000) -> Array:
    """Rms angle (m,) in rad between each normal and its neighbours', signs ignored; pi / 2 without neighbours."""

    def some(first: int) -> Array:
        beside = near[first : first + chunk]
        seen = beside >= 0
        cosine = np.abs(products(normals[first : first + chunk], normals, beside))
        square = np.where(seen, np.arccos(np.minimum(cosine, 1.0)) ** 2, 0.0)
        return np.where(seen.any(1), np.sqrt(square.sum(1) / np.maximum(seen.sum(1), 1)), np.pi / 2)

    return np.concatenate(mapped(some, range(0, max(len(normals), 1), chunk)))


def components(n: int, a: Index, b: Index) -> NDArray[np.int32]:
    """Label (n,) of the connected piece of each of n nodes joined by edges a[i] - b[i]."""
    order = np.argsort(a, kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(a, minlength=n))])
    graph = csr_matrix((np.ones(len(a)), b[order], start), shape=(n, n))
    return connected_components(graph, directed=False)[1]


def touching(points: Array, edge: float) -> NDArray[np.int32]:
    """Label (n,) of the connected piece of each point, cells of `edge` mm touching by a side, edge or corner."""
    _, first, inverse = np.unique(cell_keys(points, edge), return_index=True, return_inverse=True)
    pairs = cKDTree(np.floor(points[first] / edge)).query_pairs(1.8, output_type="ndarray")
    return components(len(first), pairs[:, 0], pairs[:, 1])[inverse]
