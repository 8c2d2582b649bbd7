"""A scan thinned while it is read: of each cubic cell one measured point stays.

Where there are normals a cell keeps one point for each of six sides that its surfaces face, so that both faces of a
sheet stay. Which point it is doesn't depend on the order of the points, nor on where in its cell it lies: the one
nearest to the middle would draw each surface that way.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.neighbours import ASKEW, cell_keys
from barerail.records import Array, Index
from barerail.store import memory
from barerail.store.raw import Raw, Triangles, finite, joined, vertex_normals

_PENDING = 2_000_000
_MOST_CELLS = 2.0**60
_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)


@dataclass(frozen=True)
class Thinned:
    """What is left of a file, how many points it held, and how many of them had no finite coordinates."""

    raw: Raw
    held: int
    lost: int


def thinned(
    blocks: Iterable[Raw], edge_of: Callable[[str | None], float], farthest: float, mm: float, path: Path
) -> Thinned:
    """A file's blocks as one, thinned to cells of `edge_of(unit)` in the file's unit, which are `mm` wide.

    DataError where even so the job doesn't go into memory.
    """
    kept, pending, held, lost = Raw(np.zeros((0, 3))), list[Raw](), 0, 0
    for block in blocks:
        edge = edge_of(block.unit)
        held += len(block.points)
        good, dropped = finite(block, farthest)
        lost += dropped
        pending.append(good if good.triangles is None else _corners(good, good.triangles))
        if sum(len(p.points) for p in pending) >= max(_PENDING, len(kept.points)):
            kept, pending = _fewer([kept, *pending], edge, path), []
            memory.check(path, len(kept.points), thinned_mm=mm)
    return Thinned(_fewer([kept, *pending], edge, path) if held else kept, held, lost)


def _fewer(blocks: list[Raw], edge: float, path: Path) -> Raw:
    """The chosen points of these blocks, and of no more: choosing again among the chosen gives the same."""
    raw = joined(blocks)
    if not len(raw.points):
        return raw
    rows = _chosen(raw.points, raw.normals, edge, path)
    return replace(raw, points=raw.points[rows], normals=None if raw.normals is None else raw.normals[rows])


def _chosen(points: Array, normals: NDArray[np.float32] | None, edge: float, path: Path) -> Index:
    """Rows of the chosen points (m,), one a cell and side, in the order of the cells."""
    _, cell = np.unique(_cells(points, normals, edge, path), return_inverse=True)
    draw = _draws(points)
    least = np.full(cell.max() + 1, np.iinfo(np.uint64).max, np.uint64)
    np.minimum.at(least, cell, draw)
    rows = np.flatnonzero(draw == least[cell])
    # Points of one draw are mostly the same one twice: by coordinates, then normals, so that order doesn't matter.
    columns = [*points[rows].T[::-1]] if normals is None else [*normals[rows].T[::-1], *points[rows].T[::-1]]
    order = rows[np.lexsort((*columns, cell[rows]))]
    chosen: Index = order[np.concatenate(([True], cell[order[1:]] != cell[order[:-1]]))]
    return chosen


def _cells(points: Array, normals: NDArray[np.float32] | None, edge: float, path: Path) -> Index:
    # A column at a time: a product of matrices may round by how many rows there are.
    x, y, z = points.T
    askew = np.column_stack([row[0] * x + row[1] * y + row[2] * z for row in ASKEW])
    if np.prod(np.ptp(askew, axis=0) / edge + 2) > _MOST_CELLS:
        raise DataError(f"{path.name} is too wide for cells of that size: give --thin more")
    return cell_keys(askew, edge, normals)


def _draws(points: Array) -> NDArray[np.uint64]:
    """A number for each point (n,) that its coordinates' bits give and nothing else, as good as drawn at random."""
    words = (points + 0.0).view(np.uint64)
    mixed: NDArray[np.uint64] = (words * _MIX).sum(axis=1, dtype=np.uint64)
    for shift in (31, 29, 33):
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * _MIX[0]
    return mixed


def _corners(mesh: Raw, triangles: Triangles) -> Raw:
    """A mesh's corners as a cloud: triangles between the few that stay were never measured."""
    words = "the triangles of this mesh left out; its corners and their normals go on as a cloud"
    return replace(mesh, normals=vertex_normals(mesh.points, triangles), triangles=None, remarks=(*mesh.remarks, words))
