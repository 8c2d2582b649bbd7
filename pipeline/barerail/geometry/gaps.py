"""Gaps: places of a flat face or a round tube that hold no points though the metal does not seem to end there.

Metal does not just end. At an edge, a hole or a cut-out a scan turns on to a wall, and where a part is welded on it
climbs. Where nothing stands beyond the rim of an empty place, the scanner was not there, or saw no wall.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, distance_transform_edt, find_objects, label
from scipy.spatial import ConvexHull, cKDTree
from scipy.spatial.distance import pdist

from barerail.geometry.skins import LEVEL_MM, Face, Shell, Tube
from barerail.records import Array, Frozen, Index

Mask = NDArray[np.bool_]
ACROSS_MM = 75.0
"""Half the width up to which a gap that is open at its sides is bridged."""
BEYOND_MM = 300.0
"""How far beyond its seen border a face may go on where the other side of the car shows that it does (judgement)."""
BENT_MM = 25.0
"""How far off a face's plane what goes on beyond its border may be bent (judgement)."""
BEHIND = 0.7
"""Cosine of a normal to a face's from which a point lies on the other face of its sheet."""
VOID = 1.6
"""Distance in cells from all points of a face from which a place of it is empty."""
FILLED = 0.25
"""Least area over the square of the width: a disc, cut off at the metal's end by up to two thirds (judgement)."""
MARGIN = 4
STROKE_MM = 8.0
"""Longest side of a gap's outline: round a tube a longer one would cut through it."""


@dataclass(frozen=True, eq=False)
class Gap(Frozen):
    """An empty place of a surface: middles `cells` (k, 3) of a raster, edge `cell` mm, and the outward `normals` there.

    middle (3,), axes (3, 3): its middle on the surface, and rows u, v, n there. outline (j, 3): its convex hull, laid
    on the surface. wide: diameter of the largest empty disc, long: greatest extent, mm. bare: share of its rim beyond
    which nothing stands. share: of a tube's surface from end to end; nan on a flat face.
    """

    middle: Array
    axes: Array
    cells: Array
    normals: Array
    cell: float
    outline: Array
    wide: float
    long: float
    bare: float
    share: float = np.nan

    @property
    def area_mm2(self) -> float:
        return len(self.cells) * self.cell**2


@dataclass(frozen=True)
class _Raster:
    """A surface laid out in cells of `cell` mm, a lap of a tube stretched to whole ones by `stretch`.

    away: how far each is from those with points, mm. point: one point of each, -1 for none. inside: on the surface.
    room: radius of an empty disc about each, which beyond a border that was seen doesn't hang over the metal's end.
    """

    skin: Face | Tube
    origin: Array
    cell: float
    stretch: float
    away: Array
    point: Index
    inside: Mask
    room: Array

    def cut(self, around: tuple[slice, ...]) -> "_Raster":
        first = np.array([w.start for w in around])
        origin = self.origin + first * self.cell
        return replace(self, origin=origin, point=self.point[around], inside=self.inside[around])

    def middles(self, cells: NDArray[np.integer | np.floating]) -> Array:
        """Places (n, 2) on the surface of the middles of cells (n, 2)."""
        return (self.origin + (cells + 0.5) * self.cell) / [1.0, self.stretch]


def gaps_in(shell: Shell, skins: Sequence[Face | Tube], least_mm: float, other: Shell | None = None) -> list[Gap]:
    """The empty places of the surfaces that are at least `least_mm` wide, surface by surface.

    other: the scan's mirror image, which shows where a face goes on beyond its seen border.
    """
    return [gap for skin in skins for gap in _of_skin(shell, skin, least_mm, other)]


def _of_skin(shell: Shell, skin: Face | Tube, least_mm: float, other: Shell | None) -> list[Gap]:
    laid, lap = (_face(shell, skin, other), 0) if isinstance(skin, Face) else _tube(shell, skin)
    part, _ = label(laid.inside & (laid.away > VOID * laid.cell), np.ones((3, 3)))
    found = []
    for k, where in enumerate(find_objects(part), 1):
        mine = part[where] == k
        if lap and not lap <= (np.flatnonzero(mine.any(axis=0)) + where[1].start).mean() < 2 * lap:
            continue  # the same place, a lap further on
        wide = 2 * float(laid.room[where][mine].max()) - laid.cell
        if wide >= least_mm:
            around = tuple(slice(max(0, w.start - MARGIN), w.stop + MARGIN) for w in where)
            found.append(_gap(shell, laid.cut(around), part[around] == k, wide, lap))
    return [gap for gap in found if gap.area_mm2 > FILLED * gap.wide**2]


def _face(shell: Shell, face: Face, other: Shell | None) -> _Raster:
    """The face with all that lies level with it, other pieces of it too, which a gap may have cut off."""
    rows = np.union1d(face.level(shell, ACROSS_MM), face.members)
    flat, _ = face.flat(shell.points[rows])
    across = _beyond(shell, face, other) if other is not None else np.zeros((0, 2))
    pad = int(np.ceil(ACROSS_MM / shell.voxel)) + MARGIN
    origin = np.vstack([flat, across]).min(0) - pad * shell.voxel
    at, there = (((f - origin) / shell.voxel).astype(int) for f in (flat, across))
    point = np.full(np.vstack([at, there]).max(0) + pad + 1, -1)
    point[at[:, 0], at[:, 1]] = rows
    away = distance_transform_edt(point < 0) * shell.voxel
    bridged = _bridged(point, away, shell.voxel)
    none = np.ones(point.shape, bool)
    none[there[:, 0], there[:, 1]] = False
    inside = bridged | (distance_transform_edt(none) <= 1.0) if len(there) else bridged
    room = np.where(bridged, away, np.minimum(away, distance_transform_edt(inside) * shell.voxel))
    return _Raster(face, origin, shell.voxel, 1.0, away, point, inside, room)


def _beyond(shell: Shell, face: Face, other: Shell) -> Array:
    """Places (n, 2) where the other side shows the face and this side nothing, nor the face bent out of its plane."""
    across = face.flat(other.points[face.level(shell, BEYOND_MM, other)])[0]
    here = face.flat(shell.points[face.level(shell, BEYOND_MM, reach=BENT_MM)])[0]
    return across[cKDTree(here).query(across, distance_upper_bound=VOID * shell.voxel)[0] == np.inf]


def _tube(shell: Shell, tube: Tube) -> tuple[_Raster, int]:
    """The tube unrolled three times over, so that a place is whole in the middle lap, and cells in a lap."""
    rows = tube.level(shell)
    flat, _ = tube.flat(shell.points[rows])
    lap = max(4, round(2 * np.pi * tube.radius / shell.voxel))
    stretch = lap * shell.voxel / (2 * np.pi * tube.radius)
    at = (flat * [1.0, stretch] / shell.voxel).astype(int)
    at[:, 1] = np.floor(flat[:, 1] * stretch / shell.voxel).astype(int) % lap
    point = np.full((int(tube.length / shell.voxel) + 1, lap), -1)
    point[at[:, 0], at[:, 1]] = rows
    point = np.tile(point, (1, 3))
    away = distance_transform_edt(point < 0) * shell.voxel
    return _Raster(tube, np.zeros(2), shell.voxel, stretch, away, point, np.full(point.shape, len(rows) > 0), away), lap


def _bridged(point: Index, away: Array, cell: float) -> Mask:
    """Cells that an empty disc of ACROSS_MM can't reach from outside (closing: Serra 1982), and those shut in."""
    reached = distance_transform_edt(away < ACROSS_MM) * cell < ACROSS_MM
    return np.asarray(~reached | binary_fill_holes(point >= 0), bool)


def _gap(shell: Shell, laid: _Raster, mine: Mask, wide: float, lap: int) -> Gap:
    away, nearest = distance_transform_edt(~mine, return_indices=True)
    i, j = np.nonzero((laid.point >= 0) & (away < VOID + 1.5))
    out = np.stack([nearest[0][i, j] - i, nearest[1][i, j] - j], axis=1).astype(float)
    out /= np.linalg.norm(out, axis=1)[:, None]
    bare = _bare(shell, laid.skin, laid.point[i, j], out)
    cells = np.argwhere((away < VOID) & (laid.point < 0) & laid.inside)
    if lap:
        cells = _one_lap(cells, lap)
    flat = laid.middles(cells)
    corners = np.vstack([laid.middles(cells + np.array(c) / 2) for c in ((1, 1), (1, -1), (-1, -1), (-1, 1))])
    hull = corners[ConvexHull(corners).vertices]
    skin, middle = laid.skin, flat.mean(axis=0)[None]
    share = len(cells) * laid.cell**2 / skin.area_mm2 if isinstance(skin, Tube) else np.nan
    return Gap(
        middle=skin.place(middle)[0],
        axes=skin.frames(middle)[0],
        cells=skin.place(flat),
        normals=skin.frames(flat)[:, 2],
        cell=laid.cell,
        outline=skin.place(_closely(hull)),
        wide=wide,
        long=float(pdist(hull).max()),
        bare=bare,
        share=share,
    )


def _one_lap(cells: Index, lap: int) -> Index:
    """Cells of a place that runs all the way round, once each; those of another as they are."""
    first = cells[:, 1].min() + (np.ptp(cells[:, 1]) + 1 - lap) // 2
    return cells if np.ptp(cells[:, 1]) < lap else cells[(cells[:, 1] >= first) & (cells[:, 1] < first + lap)]


def _closely(ring: Array) -> Array:
    """The ring (n, 2) with points no further apart than STROKE_MM."""
    parts = []
    for a, b in zip(ring, np.roll(ring, -1, axis=0)):
        steps = int(np.ceil(np.linalg.norm(b - a) / STROKE_MM))
        parts.append(a + (b - a) * (np.arange(steps) / steps)[:, None])
    return np.vstack(parts)


def _bare(shell: Shell, skin: Face | Tube, rim: Index, ways: Array) -> float:
    """Share of rim points (rows) with nothing beyond them: no wall, and nothing that climbs.

    ways (k, 2): from each into the gap, on the surface laid out.
    """
    if not len(rim):
        return 0.0
    around = [np.asarray(a, np.int64) for a in shell.tree.query_ball_point(shell.points[rim], 2.5 * shell.voxel)]
    owner, beside = np.repeat(np.arange(len(rim)), [len(a) for a in around]), np.concatenate(around)
    flat, off = skin.flat(shell.points[rim])
    frames = skin.frames(flat)
    into = np.einsum("ij,ijk->ik", ways, frames[:, :2])
    step = shell.points[beside] - shell.points[rim[owner]]
    behind = np.einsum("ij,ij->i", shell.normals[beside], frames[owner, 2]) < -BEHIND
    beyond = (np.abs(skin.flat(shell.points[beside])[1] - off[owner]) > LEVEL_MM) & ~behind
    beyond &= np.einsum("ij,ij->i", step, into[owner]) > -0.5 * shell.voxel
    return float((np.bincount(owner[beyond], minlength=len(rim)) == 0).mean())
