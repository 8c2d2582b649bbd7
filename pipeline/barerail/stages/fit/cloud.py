"""The full-resolution points of a scan and of its faces, reached through the thinned ones."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.geometry.neighbours import rows_of
from barerail.records import Array, CleanScan, Index
from barerail.stages.fit.patches import Patch
from barerail.stages.fit.surface import Surface

ENOUGH = 100_000
"""Triangles whose mean area is a mesh's."""
FUSED_FORM = 0.14
"""Rms of a fused mesh about a round thing of a few voxels' radius, in voxels (simulated scans)."""


@dataclass(frozen=True)
class Cloud:
    """The full-resolution chassis points, reached through their thinned ones; sigma: noise of one point, mm.

    fans: a mesh's triangles sorted by their first corner, and where each corner's begin; None for a cloud of points.
    voxel_mm: edge of the voxels a mesh was fused in, as its vertices show; 0 for a cloud of points.
    """

    clean: CleanScan
    surface: Surface
    tree: cKDTree
    sigma: float
    fans: tuple[Index, Index] | None
    voxel_mm: float

    @property
    def mesh(self) -> bool:
        return self.fans is not None

    def roughest(self, times: float) -> float:
        """Largest rms in mm of points about a cylinder that is still noise: `times` the scan's, and the voxels' own."""
        return max(float(np.hypot(times * self.sigma, FUSED_FORM * self.voxel_mm)), 0.12)

    def near(self, centre: Array, reach: float) -> Array:
        """Points (n, 3) of all cells whose mean lies within reach mm of centre."""
        cells = np.asarray(self.tree.query_ball_point(centre, reach, return_sorted=True), np.int64)
        return self.points(cells)

    def points(self, cells: Index) -> Array:
        """Full-resolution points (n, 3) of rows of the surface."""
        rows = rows_of(self.surface.rows[cells], self.clean.order, self.clean.start)
        return np.asarray(self.clean.scan.points.take(rows, axis=0), float)

    def triangles(self, centre: Array, reach: float) -> tuple[Array, NDArray[np.integer]]:
        """Corners (n, 3) and triangles (m, 3) of a mesh about the cells whose mean lies within reach mm of centre."""
        if self.fans is None or self.clean.scan.triangles is None:
            raise ValueError("a cloud of points has no triangles")
        cells = np.asarray(self.tree.query_ball_point(centre, reach, return_sorted=True), np.int64)
        rows = rows_of(self.surface.rows[cells], self.clean.order, self.clean.start)
        corners, triangles = np.unique(self.clean.scan.triangles[rows_of(rows, *self.fans)], return_inverse=True)
        return np.asarray(self.clean.scan.points[corners], float), triangles.reshape(-1, 3)


def cloud_of(clean: CleanScan, surface: Surface) -> Cloud:
    """A cloud with its search tree."""
    tree, triangles = cKDTree(surface.points, balanced_tree=False), clean.scan.triangles
    if triangles is None:
        return Cloud(clean, surface, tree, clean.noise_mm, None, 0.0)
    count = np.bincount(triangles[:, 0], minlength=len(clean.scan.points))
    fans = (np.argsort(triangles[:, 0], kind="stable"), np.concatenate([[0], np.cumsum(count)]))
    return Cloud(clean, surface, tree, clean.noise_mm, fans, _voxel(clean, triangles))


def _voxel(clean: CleanScan, triangles: NDArray[np.integer]) -> float:
    """Spacing in mm of a mesh's vertices by neighbours or, where that is less, by area: two triangles hold one.

    Where the grid lies along a face its vertices stand in rows, and by neighbours seem to stand further apart.
    """
    a, b, c = np.asarray(clean.scan.points, float)[triangles[:: max(1, len(triangles) // ENOUGH)]].transpose(1, 0, 2)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    return min(clean.spacing_mm, float(np.sqrt(2 * area.mean())))


@dataclass(frozen=True)
class Face:
    """A patch in its own plane: axes rows u, v, n with n outward; on (n, 2): full-resolution points on it there; core:
    rows of the surface away from rims."""

    patch: int
    centre: Array
    axes: Array
    on: Array
    core: Index
    tolerance: float


def face_of(cloud: Cloud, patch: Patch, index: int) -> Face:
    """The full-resolution points of a patch, in its frame."""
    surface = cloud.surface
    axes = frame_of(surface, patch)
    grown = (surface.points[patch.grown] - patch.centre) @ axes[:2].T
    low = np.append(grown.min(0) - 12.0, -cloud.clean.voxel_mm)
    high = np.append(grown.max(0) + 12.0, cloud.clean.voxel_mm)
    block = (surface.blocks.cells.mean - patch.centre) @ axes.T
    beside = np.linalg.norm(block - np.clip(block, low, high), axis=1)
    close = surface.blocks.within(beside, 0.0)
    rough = (surface.points.take(close, axis=0) - patch.centre) @ axes.T
    inside = ((rough > low) & (rough < high)).all(1)
    local = (cloud.points(close[inside]) - patch.centre) @ axes.T
    tolerance = max(patch.tolerance, 0.35)
    return Face(index, patch.centre, axes, local[np.abs(local[:, 2]) < tolerance, :2], patch.core, tolerance)


def frame_of(surface: Surface, patch: Patch) -> Array:
    """Axes of a patch: rows u along it, v, n out of the metal."""
    d = surface.points[patch.core] - patch.centre
    u = np.linalg.eigh(d.T @ d)[1][:, 2]
    n = patch.normal * outward(surface, patch)
    u = (u - (u @ n) * n) * (1.0 if ((d @ u) ** 3).sum() >= 0 else -1.0)
    u /= np.linalg.norm(u)
    return np.array([u, np.cross(n, u), n])


def outward(surface: Surface, patch: Patch) -> float:
    """Sign that turns the patch's normal out of the metal."""
    return 1.0 if np.sign(surface.normals[patch.core] @ patch.normal).sum() >= 0 else -1.0
