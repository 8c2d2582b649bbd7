"""What a mirror plane is fitted to: the chassis surface, thinned evenly, about its own middle."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.errors import DataError
from barerail.geometry.neighbours import cell_keys, in_own_axes, into_cells
from barerail.records import CHASSIS, Array, CleanScan, Frozen, Index

EDGE_FLAT = np.radians(20.0)
"""Normals that differ by more than this from their neighbours' stand at an edge and are not trusted."""
FEWEST = 300


@dataclass(frozen=True, eq=False)
class Surface(Frozen):
    """Points (m, 3) in mm about `middle` (scan axes), unit normals (m, 3), and the area each stands for, 1.

    A plane of unit normal n crosses cubic cells at |n_x| + |n_y| + |n_z| cells per cell face of its area, so the
    inverse of that sum makes every mm2 count the same, whatever way it faces and however densely it was scanned.
    """

    middle: Array
    points: Array
    normals: Array
    area: Array
    spacing: float

    def part(self, rows: Index) -> "Surface":
        """The same surface at `rows` alone."""
        return Surface(self.middle, self.points[rows], self.normals[rows], self.area[rows], self.spacing)

    def fewer(self, count: int) -> "Surface":
        """Every n-th point, so that about `count` are left."""
        return self.part(np.arange(0, len(self.points), max(1, len(self.points) // count)))

    def picks(self, edge: float) -> "Surface":
        """One point for each cell of `edge` mm and each way its surface faces."""
        at, facing = self._in_own_axes
        cells = into_cells(self.points, cell_keys(at, edge, facing))
        return self.part(cells.order[cells.start[:-1]])

    @cached_property
    def _in_own_axes(self) -> tuple[Array, NDArray[np.floating] | None]:
        return in_own_axes(self.points, self.normals)

    @cached_property
    def tree(self) -> cKDTree:
        return cKDTree(self.points, balanced_tree=False, compact_nodes=False)


def surface_of(clean: CleanScan) -> Surface:
    """The chassis part of a clean scan, edges left out. DataError where there is too little of it."""
    chassis = np.flatnonzero(clean.label == CHASSIS)
    rows = chassis[clean.flat[chassis] < EDGE_FLAT]
    if len(rows) < FEWEST:
        raise DataError(
            f"datum: only {len(rows)} thinned points of smooth chassis surface, {FEWEST} are needed; "
            "scan more of the frame, or thin less ([clean] voxel_mm)"
        )
    middle = clean.thin[chassis].mean(0)
    normals = clean.normals[rows]
    area = 1 / np.abs(normals).sum(1)
    return Surface(middle, clean.thin[rows] - middle, normals, area, clean.voxel_mm)
