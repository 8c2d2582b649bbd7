"""Gaps: places of a flat face that hold no points though the metal does not seem to end there.

Metal does not just end. At an edge, a hole or a cut-out a scan turns on to a wall, and where a part is welded on it
climbs. Where nothing stands beyond the rim of an empty place, the scanner was not there, or saw no wall.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, distance_transform_edt, find_objects, label
from scipy.spatial import ConvexHull, cKDTree
from scipy.spatial.distance import pdist

from barerail.geometry.neighbours import Blocks, blocks_of
from barerail.records import Array, CleanScan, Frozen, Index

Mask = NDArray[np.bool_]
ACROSS_MM = 75.0
"""Half the width up to which a gap that is open at its sides is bridged."""
LEVEL_MM = 1.0
ALIKE, BEHIND = 0.9, 0.7
"""Cosine of a normal to a face's from which a point lies on it, and on the other face of its sheet."""
VOID = 1.6
"""Distance in cells from all points of a face from which a place of it is empty."""
MARGIN = 4


@dataclass(frozen=True, eq=False)
class Face(Frozen):
    """A flat face: its centre, axes (3, 3) rows u, v, n, n outward where the scan tells, and its rows of the scan."""

    centre: Array
    axes: Array
    members: Index


@dataclass(frozen=True, eq=False)
class Gap(Frozen):
    """An empty place of a face with axes rows u, v, n: middles `cells` (k, 3) of a raster over it, edge `cell` mm.

    outline (j, 3): its convex hull. wide: diameter of the largest empty disc, long: greatest extent, mm. bare: share of
    its rim beyond which nothing stands.
    """

    axes: Array
    cells: Array
    cell: float
    outline: Array
    wide: float
    long: float
    bare: float

    @property
    def area_mm2(self) -> float:
        return len(self.cells) * self.cell**2


@dataclass(frozen=True, eq=False)
class Shell:
    """The thinned points of a scan, with what finds those near a place."""

    points: Array
    normals: Array
    voxel: float
    tree: cKDTree
    blocks: Blocks

    @classmethod
    def of(cls, clean: CleanScan) -> "Shell":
        tree, blocks = cKDTree(clean.thin), blocks_of(clean.thin)
        return cls(clean.thin, clean.normals, clean.voxel_mm, tree, blocks)


@dataclass(frozen=True)
class _Raster:
    """A face laid out in cells: how far each is from those with points, mm, and one point of each, -1 for none."""

    face: Face
    origin: Array
    cell: float
    away: Array
    point: Index

    def cut(self, around: tuple[slice, ...]) -> "_Raster":
        first = np.array([w.start for w in around])
        return _Raster(self.face, self.origin + first * self.cell, self.cell, self.away[around], self.point[around])


def gaps_in(shell: Shell, faces: Sequence[Face], least_mm: float) -> list[Gap]:
    """The empty places of the faces that are at least `least_mm` wide, face by face."""
    return [gap for face in faces for gap in _of_face(shell, face, least_mm)]


def _of_face(shell: Shell, face: Face, least_mm: float) -> list[Gap]:
    laid = _laid_out(shell, face)
    part, _ = label(_bridged(laid) & (laid.away > VOID * laid.cell), np.ones((3, 3)))
    found = []
    for k, where in enumerate(find_objects(part), 1):
        wide = 2 * float(laid.away[where][part[where] == k].max()) - laid.cell
        if wide >= least_mm:
            around = tuple(slice(max(0, w.start - MARGIN), w.stop + MARGIN) for w in where)
            found.append(_gap(shell, laid.cut(around), part[around] == k, wide))
    return found


def _laid_out(shell: Shell, face: Face) -> _Raster:
    """The face with all that lies level with it, other pieces of it too, which a gap may have cut off."""
    rows = np.union1d(_level(shell, face), face.members)
    flat = (shell.points[rows] - face.centre) @ face.axes[:2].T
    pad = int(np.ceil(ACROSS_MM / shell.voxel)) + MARGIN
    origin = flat.min(0) - pad * shell.voxel
    at = ((flat - origin) / shell.voxel).astype(int)
    point = np.full(at.max(0) + pad + 1, -1)
    point[at[:, 0], at[:, 1]] = rows
    away = distance_transform_edt(point < 0) * shell.voxel
    return _Raster(face, origin, shell.voxel, away, point)


def _level(shell: Shell, face: Face) -> Index:
    reach = max(LEVEL_MM, 0.5 * shell.voxel)
    own = (shell.points[face.members] - face.centre) @ face.axes.T
    margin = np.array([ACROSS_MM, ACROSS_MM, 0.0])
    low, high = own.min(0) - margin, own.max(0) + margin
    block = (shell.blocks.cells.mean - face.centre) @ face.axes.T
    near = shell.blocks.within(np.linalg.norm(block - np.clip(block, low, high), axis=1), 0.0)
    local = (shell.points[near] - face.centre) @ face.axes.T
    turn = shell.normals[near] @ face.axes[2]
    alike = turn > ALIKE
    inside = ((local[:, :2] > low[:2]) & (local[:, :2] < high[:2])).all(1)
    return near[alike & inside & (np.abs(local[:, 2]) < reach)]


def _bridged(laid: _Raster) -> Mask:
    """Cells that an empty disc of ACROSS_MM can't reach from outside (closing: Serra 1982), and those shut in."""
    reached = distance_transform_edt(laid.away < ACROSS_MM) * laid.cell < ACROSS_MM
    return np.asarray(~reached | binary_fill_holes(laid.point >= 0), bool)


def _gap(shell: Shell, laid: _Raster, inside: Mask, wide: float) -> Gap:
    axes, centre = laid.face.axes, laid.face.centre
    away, nearest = distance_transform_edt(~inside, return_indices=True)
    i, j = np.nonzero((laid.point >= 0) & (away < VOID + 1.5))
    out = np.stack([nearest[0][i, j] - i, nearest[1][i, j] - j], axis=1).astype(float)
    out /= np.linalg.norm(out, axis=1)[:, None]
    bare = _bare(shell, laid.point[i, j], out @ axes[:2], axes[2])
    flat = laid.origin + (np.argwhere((away < VOID) & (laid.point < 0)) + 0.5) * laid.cell
    hull = flat[ConvexHull(flat).vertices]
    places = (centre + xy @ axes[:2] for xy in (flat, hull))
    return Gap(axes, next(places), laid.cell, next(places), wide, float(pdist(hull).max()) + laid.cell, bare)


def _bare(shell: Shell, rim: Index, out: Array, normal: Array) -> float:
    """Share of rim points (rows) with nothing beyond them, outward `out` (k, 3): no wall, and nothing that climbs."""
    if not len(rim):
        return 0.0
    around = [np.asarray(a, np.int64) for a in shell.tree.query_ball_point(shell.points[rim], 2.5 * shell.voxel)]
    owner, beside = np.repeat(np.arange(len(rim)), [len(a) for a in around]), np.concatenate(around)
    step = shell.points[beside] - shell.points[rim[owner]]
    turn = shell.normals[beside] @ normal
    behind = turn < -BEHIND
    beyond = (np.abs(step @ normal) > LEVEL_MM) & ~behind
    beyond &= np.einsum("ij,ij->i", step, out[owner]) > -0.5 * shell.voxel
    return float((np.bincount(owner[beyond], minlength=len(rim)) == 0).mean())
