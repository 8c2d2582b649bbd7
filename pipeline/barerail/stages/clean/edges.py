"""Directions of the faces that points near edges lie in: no neighbourhood that reaches over the edge tells them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.neighbours import Cells, into_cells, rows_of
from barerail.records import Array, Index
from barerail.stages.clean.layers import Layers, Mask, some_of

BESIDE, PLANE = 8, 9
"""Planes tried for each point, and the points that each plane beside an edge goes through."""
FAR, PIECE = 0.05, 50_000
"""What a plane's distance counts beside its offset from the point: of two that fit, the nearer one; and points
at a time."""


@dataclass(frozen=True)
class _Planes:
    """Planes through `middle` (k, 3) mm with unit normals (k, 3), the rms in mm of what lies in them, and whether their
    normals are known to point out of the metal."""

    middle: Array
    normal: Array
    rough: Array
    sure: Mask


def directions(points: Array, cells: Cells, near: Index, layers: Layers) -> tuple[Array, Mask]:
    """Unit directions (n, 3) across the face that each point lies in, and whether they point out of the metal for sure.

    They are those of its cell, but at edges: there that of the flattest plane of a neighbour that passes nearest to the
    point (neighbourhood shift: Cao et al. 2018, Computer-Aided Design 103).
    """
    out, sure = np.empty((len(points), 3)), layers.layer != 0
    out[cells.order] = np.repeat(layers.normal, np.diff(cells.start), axis=0)
    out[layers.layer < 0] *= -1
    edge = np.flatnonzero(layers.edge)
    if len(edge):
        around = np.unique(np.append(near[edge, :BESIDE], edge))
        around = around[around >= 0]
        index, present = some_of(cells, around)
        planes = (_of_cells(points, cells, layers, around), _of_neighbours(points[index[present]]))
        trees = [(p, cKDTree(p.middle)) for p in planes if len(p.middle)]
        rows = rows_of(edge, cells.order, cells.start)
        for a in range(0, len(rows), PIECE):
            piece = rows[a : a + PIECE]
            out[piece], sure[piece] = _nearest_plane(points[piece], trees)
    return out, sure


def _of_cells(points: Array, cells: Cells, layers: Layers, around: Index) -> _Planes:
    """The planes of the layers of cells without an edge."""
    flat = around[~layers.edge[around]]
    if not len(flat):
        return _Planes(np.empty((0, 3)), np.empty((0, 3)), np.empty(0), np.empty(0, bool))
    rows = rows_of(flat, cells.order, cells.start)
    cell, side = np.repeat(flat, np.diff(cells.start)[flat]), layers.layer[rows]
    parts = into_cells(points[rows], 3 * cell + side + 1)
    first = parts.order[parts.start[:-1]]
    outward = np.where(side[first] < 0, -1.0, 1.0)[:, None] * layers.normal[cell[first]]
    return _Planes(parts.mean, outward, layers.rough[cell[first]], side[first] != 0)


def _of_neighbours(at: Array) -> _Planes:
    """The plane through each point's nearest neighbours."""
    tree, count = cKDTree(at), min(PLANE, len(at))
    middle, normal, rough = np.empty_like(at), np.empty_like(at), np.empty(len(at))
    for a in range(0, len(at), PIECE):
        b = slice(a, a + PIECE)
        group = at[np.asarray(tree.query(at[b], list(range(1, count + 1)), workers=-1)[1])]
        middle[b] = group.mean(1)
        group = group - middle[b, None]
        size, way = np.linalg.eigh(np.matmul(group.transpose(0, 2, 1), group))
        normal[b], rough[b] = way[:, :, 0], np.sqrt(np.maximum(size[:, 0], 0) / (PLANE - 3))
    return _Planes(middle, normal, rough, np.zeros(len(at), bool))


def _nearest_plane(at: Array, planes: Sequence[tuple[_Planes, cKDTree]]) -> tuple[Array, Mask]:
    """Normals (k, 3) of the planes that suit points (k, 3) best, and whether these point out of the metal for sure."""
    cost, normal, sure = [], [], []
    for some, tree in planes:
        distance, near = tree.query(at, list(range(1, min(BESIDE, len(some.middle)) + 1)), workers=-1)
        off = np.abs(np.einsum("kji,kji->kj", some.normal[near], at[:, None] - some.middle[near]))
        cost.append(off + some.rough[near] + FAR * distance)
        normal.append(some.normal[near])
        sure.append(some.sure[near])
    best = np.argmin(np.concatenate(cost, axis=1), axis=1)
    rows = np.arange(len(at))
    return np.concatenate(normal, axis=1)[rows, best], np.concatenate(sure, axis=1)[rows, best]
