"""Which side of its face each point of a cloud without normals was seen from.

Where a cell holds both faces of a sheet, each of its points looks away from the other face. Elsewhere the side is the
one with more open sky: rays inside a closed section end on its other walls. Neighbours settle what is left.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix

from barerail.geometry.neighbours import Cells, by_place, cell_keys, into_cells, nearest
from barerail.libraries import open3d
from barerail.records import Array, Index
from barerail.stages.clean.edges import directions
from barerail.stages.clean.layers import LOOKS, Mask, layers_of

RAYS, EVERY = 24, 2
"""Rays to each side, and the share of places, one in EVERY, that they are sent from."""
LOWEST = 0.15
"""Cosine from the normal of the lowest rays: out of a bore of two diameters' depth lead those from 0.2 down."""
PROBES, CLEAR = 2000, 0.3
SURE, ROUNDS = 2.0, 40
"""Weight of a sheet's other face against the sky's at most 1; rounds in which neighbours hear each other."""


def against_sky(at: Array, normals: Array, voxel: float) -> float:
    """Share of the probes, of those whose sky is on one side, whose normal points away from it.

    Every second place, squares about which overlap, hides as much sky as all.
    """
    at, normals = at[::2], normals[::2]
    probe = np.linspace(0, len(at) - 1, min(PROBES, len(at))).astype(np.int64)
    told = _sky(at, normals, probe, voxel)
    clear = np.abs(told) > CLEAR
    return float((told[clear] < 0).mean()) if clear.any() else 0.0


def sided(points: Array, voxel: float) -> NDArray[np.float32]:
    """Unit normals (n, 3) out of the metal, for points (n, 3) mm in cells of `voxel` mm."""
    rows = by_place(points)
    out = np.empty((len(points), 3), np.float32)
    out[rows] = _sided(points[rows], voxel)
    return out


def _sided(points: Array, voxel: float) -> Array:
    """As `sided`, of points in an order of their own."""
    cells = into_cells(points, cell_keys(points, voxel))
    near, _ = nearest(cells.mean, LOOKS[0][0], 4 * voxel)
    layers = layers_of(points, cells, near, voxel)
    each, known = directions(points, cells, near, layers)
    order, part, sure = _parts(cells, each, known)
    start = np.searchsorted(part, np.arange(len(sure) + 1))
    at = np.add.reduceat(points[order], start[:-1], axis=0) / np.diff(start)[:, None]
    normal = np.add.reduceat(each[order], start[:-1], axis=0)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    evidence = np.where(sure, SURE, 0.0)
    asked = np.flatnonzero(~sure)[::EVERY]
    evidence[asked] = _sky(at, normal, asked, voxel)
    each[order] *= _agreed(at, normal, evidence, voxel)[part, None]
    return each


def _parts(cells: Cells, each: Array, known: Mask) -> tuple[Index, Index, Mask]:
    """Points of one cell and direction, and of one side where that is known, as parts: their order, the part of each in
    it, and of each part whether its side is known. Turns the directions of a part alike."""
    cell = np.empty(len(known), np.int64)
    cell[cells.order] = np.repeat(np.arange(len(cells.mean)), np.diff(cells.start))
    most = np.argmax(np.abs(each), axis=1)
    up = np.take_along_axis(each, most[:, None], axis=1)[:, 0] > 0
    key = 9 * cell + np.where(known, 3 + 2 * most + up, most)
    order = np.argsort(key, kind="stable")
    new = np.diff(key[order], prepend=-1) > 0
    part, first = np.cumsum(new) - 1, order[new]
    away = (np.einsum("ij,ij->i", each[order], each[first][part]) < 0) & ~known[order]
    each[order[away]] *= -1
    return order, part, known[first]


def _sky(at: Array, normals: Array, rows: Index, voxel: float) -> Array:
    """Of the rays from places `rows` that leave the scan, those along the normals less those against, as a share."""
    o3d = open3d()
    least = np.eye(3)[np.argmin(np.abs(normals), axis=1)]
    u = np.cross(normals, least)
    u /= np.maximum(np.linalg.norm(u, axis=1), 1e-12)[:, None]
    v = np.cross(normals, u)
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(*(o3d.core.Tensor(a) for a in _tiles(at, u, v, voxel)))
    cosine = 1 - (1 - LOWEST) * (np.arange(RAYS) + 0.5) / RAYS
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(RAYS)
    seen = {side: np.zeros(len(rows)) for side in (1, -1)}
    for side in seen:
        start = at[rows] + 0.5 * voxel * side * normals[rows]
        for c, a in zip(cosine, turn, strict=True):
            flat = np.cos(a) * u[rows] + np.sin(a) * v[rows]
            ray = np.column_stack([start, side * c * normals[rows] + np.sqrt(1 - c * c) * flat])
            seen[side] += ~scene.test_occlusions(o3d.core.Tensor(ray.astype(np.float32))).numpy()
    return (seen[1] - seen[-1]) / (seen[1] + seen[-1] + 1)


def _tiles(at: Array, u: Array, v: Array, half: float) -> tuple[NDArray[np.float32], NDArray[np.uint32]]:
    """Corners (4 m, 3) and triangles (2 m, 3) of a square of twice `half` mm at each place."""
    corners = np.concatenate([at + half * (a * u + b * v) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
    i = np.arange(len(at), dtype=np.uint32)
    first = np.column_stack([i, i + len(at), i + 2 * len(at)])
    return corners.astype(np.float32), np.concatenate([first, np.column_stack([i, i + 2 * len(at), i + 3 * len(at)])])


def _agreed(at: Array, normals: Array, evidence: Array, voxel: float) -> Array:
    """Signs (m,) that neighbours in one face agree on, from the evidence of each."""
    near, distance = nearest(at, 12, 3 * voxel)
    some = near.ravel() >= 0
    i, j = np.repeat(np.arange(len(at)), near.shape[1])[some], near.ravel()[some]
    turn = np.einsum("ij,ij->i", normals[i], normals[j])
    both = normals[i] + np.sign(turn)[:, None] * normals[j]
    rise = np.abs(np.einsum("ij,ij->i", both, at[j] - at[i])) / 2
    alike = (np.abs(turn) > 0.8) & (rise < 0.35 * distance.ravel()[some] + 0.1 * voxel)
    link = coo_matrix((turn[alike], (i[alike], j[alike])), shape=(len(at), len(at))).tocsr()
    link = (link + link.T).tocsr()
    degree = np.maximum(abs(link) @ np.ones(len(at)), 1e-9)
    value = evidence.copy()
    for _ in range(ROUNDS):
        value = np.clip(0.3 * evidence + link @ value / degree, -SURE, SURE)
    return np.where(value < 0, -1.0, 1.0)
