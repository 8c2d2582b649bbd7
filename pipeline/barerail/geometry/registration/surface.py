"""The surface of one scan as joining sees it: thinned points with normals."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.geometry.neighbours import cell_keys, convexity, flatness, into_cells, nearest, normals_of
from barerail.records import Array, Index, Scan, Source

NEIGHBOURS, FEWEST = 10, 4
"""Neighbours looked up for a thinned point, and how many it must have to count as smooth."""
SEEN_MM = 60.0
"""How far from its surface a scan shows, to the side that it faces, that there is none (judgement)."""
INWARD_MM = 2.0
"""Convexity beyond which normals surely point into the metal: a flat piece has none (judgement)."""
BENT = np.radians(20.0)
"""Rms angle to the neighbours' normals beyond which a thinned point lies on an edge (judgement)."""


class Bounds:
    """What a scan went round: extents of points (n, 3) along thirteen directions, a little less than their hull's."""

    WAYS = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) > (0, 0, 0)])

    def __init__(self, points: Array) -> None:
        along = points @ self.WAYS.T
        self.low, self.high = along.min(axis=0), along.max(axis=0)

    def hold(self, points: Array) -> NDArray[np.bool_]:
        """Which of points (n, 3) lie inside."""
        along = points @ self.WAYS.T
        return np.logical_and.reduce((along >= self.low) & (along <= self.high), axis=1)


@dataclass(frozen=True, eq=False)
class Surface:
    """points (m, 3) mm and unit normals (m, 3), one a cell of `edge` mm; smooth (m,): away from edges.

    oriented: normals point out of the metal; turned: the scan's own point into it. noise: robust sd in mm of a thinned
    point about its neighbours' planes.
    """

    points: Array
    normals: Array
    smooth: NDArray[np.bool_]
    oriented: bool
    edge: float
    noise: float
    turned: bool = False

    @cached_property
    def tree(self) -> cKDTree:
        """Search tree of the smooth points, by their rows among these."""
        return cKDTree(self.points[self.even])

    @cached_property
    def even(self) -> Index:
        """Rows of the smooth points."""
        return np.flatnonzero(self.smooth)

    @cached_property
    def facing(self) -> cKDTree:
        """Search tree of (point, SEEN_MM normal): near are points close by that face the same way."""
        return cKDTree(np.hstack([self.points, SEEN_MM * self.normals]))

    @cached_property
    def bounds(self) -> Bounds:
        return Bounds(self.points)

    def some(self, most: int) -> Index:
        """Rows of at most so many smooth points, evenly strided."""
        return self.even[np.linspace(0, len(self.even) - 1, min(most, len(self.even))).astype(np.int64)]

    def thinned(self, edge: float) -> "Surface":
        """The same in cells of `edge` mm, each a point that was there, a smooth one where there is one."""
        cells = into_cells(self.points, cell_keys(self.points, edge, self.normals))
        owner = np.repeat(np.arange(len(cells.mean)), np.diff(cells.start))
        off = np.linalg.norm(self.points[cells.order] - cells.mean[owner], axis=1)
        first = np.lexsort((off, ~self.smooth[cells.order], owner))[cells.start[:-1]]
        rows = cells.order[first]
        return Surface(self.points[rows], self.normals[rows], self.smooth[rows], self.oriented, edge, self.noise)


def surface_of(scan: Scan, source: Source, edge: float) -> Surface:
    """The surface of one source in cells of `edge` mm, in the source's own axes."""
    a, b = source.rows
    points = np.asarray(scan.points[a:b])
    given = None if scan.normals is None else scan.normals[a:b]
    cells = into_cells(points, cell_keys(points, edge, given))
    near, _ = nearest(cells.mean, NEIGHBOURS, 4 * edge)
    mean = None
    if given is not None:
        mean = np.add.reduceat(given[cells.order].astype(float), cells.start[:-1], axis=0)
        near = np.where(np.einsum("mi,mki->mk", mean, mean[np.maximum(near, 0)]) > 0, near, -1)
    normals = normals_of(cells.mean, near)
    if mean is not None:
        normals *= np.where(np.einsum("mi,mi->m", mean, normals) < 0, -1.0, 1.0)[:, None]
    smooth = (flatness(normals, near) < BENT) & ((near >= 0).sum(axis=1) >= FEWEST)
    off = np.einsum("mi,mki->mk", normals, cells.mean[np.maximum(near, 0)] - cells.mean[:, None])
    level = np.abs(off[(near >= 0) & smooth[:, None]])
    noise = 1.4826 * float(np.median(level)) if len(level) else float("nan")
    turned = given is not None and convexity(cells.mean, normals) > INWARD_MM
    return Surface(cells.mean, -normals if turned else normals, smooth, given is not None, edge, noise, turned)
