"""Bores: round holes and slots in faces, and the studs that stand on them, from full-resolution points."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.geometry.raster import cover, empty_discs, widest_gap
from barerail.geometry.rim import Rim, RimPoints, circle, circle_area, fit_rim
from barerail.records import Array, NoiseModel
from barerail.settings import FitSettings
from barerail.stages.fit.cloud import Cloud, Face
from barerail.stages.fit.fused import MESH_EDGE, MESH_SHEET_EDGE, SHEET_VOXELS, rim_at, rim_below, thin
from barerail.stages.fit.heights import DEEP_MM, height_variance, local_height, other_face

WALL_DEPTH = 4.0
STANDS = 0.15
"""Share of a shaft's points that must stand in an empty place before it can be a stud's foot (judgement)."""
OPEN_DEG = 70.0
"""Widest angle over which a hole's rim may go unseen (judgement): the end of a slot shows 180 less."""
SHALLOW_MM, WIDE, DENTED = 2.0, 10.0, 0.7
"""How deep sheet lies in a dent at most, mm, width in voxels from which fusing closes no hole, and share of a dent that
is sheet: three of four dents on simulated scans, 12 to 35 voxels wide; so shallow were holes of up to 6 voxels."""
STUD_MM = 32.0
"""Largest stud, mm (judgement)."""


@dataclass(frozen=True)
class Bore:
    """One round empty place in a face: what its rim says, and what stands before and behind it.

    cover: share of directions in which the rim closes; gap: the widest lot of them where it doesn't, deg. rim_share,
    wall_share: points next to the rim and down the wall against what the face's density promises. standing: the same
    for what stands up round it. closed_behind: sheet goes on behind it, or in it. floor: z down to which the
    wall goes before the sheet's other face begins. other: z of that face, -inf where it was not seen. brim: how much of
    the face there is further out, 4 to 8 mm from the rim. ring (k, 2): where the points lie whose mean is the height,
    mm. edge (5,): standard uncertainty that fusing adds to x, y, radius and height and to how far one end of the face
    stands above the other, mm; 0 in a cloud.
    """

    face: Face
    rim: Rim
    height: float
    cover: float
    gap: float
    n: int
    rim_share: float
    wall_share: float
    standing: float
    closed_behind: bool
    floor: float
    other: float
    brim: float
    ring: Array
    edge: Array


def place(bore: Bore, xy: Array) -> Array:
    """A point of the face's frame, at the height of the face near the bore, in scan axes."""
    return bore.face.centre + bore.face.axes.T @ np.array([*xy, bore.height])


def in_face(bore: Bore, flat: Array, noise: NoiseModel) -> Array:
    """Covariance (3, 3) in scan axes from that in the face (2, 2) and the height of the ring about the bore."""
    local = np.zeros((3, 3))
    local[:2, :2] = flat
    local[2, 2] = height_variance(bore.ring, noise) + bore.edge[3] ** 2
    return bore.face.axes.T @ local @ bore.face.axes


def looked_into(bore: Bore, cloud: Cloud) -> Bore:
    """A bore of a fused mesh with its rim from a look further down than where it was judged; of a cloud, as it is."""
    if not cloud.mesh:
        return bore
    rim, edge = rim_below(bore.face, bore.rim, bore.height, bore.other, cloud)
    return bore if edge is None else replace(bore, rim=rim, edge=edge)


def bores_in(face: Face, cloud: Cloud, settings: FitSettings) -> list[Bore]:
    """Every round empty place of the face that closes, with its rim."""
    spacing = cloud.clean.spacing_mm
    least = max(settings.hole_min_mm, 5 * spacing) / 2
    if len(face.on) < 30:
        return []
    shrink = 0.62 if cloud.mesh else 0.72
    discs = empty_discs(face.on, max(0.5 * spacing, 0.5), shrink * least, settings.hole_max_mm / 2)
    found = [_measure(face, disc, cloud) for disc in _closed(face.on, discs, spacing)]
    return _distinct([b for b in found if b is not None and b.rim.mean[2] > shrink * least])


def _closed(on: Array, discs: Array, spacing: float) -> list[Array]:
    """Those discs with face points in at least 45 % of the directions round them: a slot's disc is open at its ends."""
    if not len(discs):
        return []
    tree = cKDTree(on, balanced_tree=False, compact_nodes=False)
    kept = []
    for disc in discs:
        around = on[tree.query_ball_point(disc[:2], disc[2] + 2.0 * spacing, return_sorted=True)]
        if cover(around, disc[:2], disc[2] - spacing, disc[2] + 2.0 * spacing) >= 0.45:
            kept.append(disc)
    return kept


def _distinct(bores: list[Bore]) -> list[Bore]:
    """One bore a place: of two whose centres lie in each other, the one with the better seen wall and rim."""
    ranked = sorted(bores, key=lambda b: (-b.wall_share - b.rim_share, *b.rim.mean))
    kept: list[Bore] = []
    for b in ranked:
        apart = [np.hypot(*(b.rim.mean[:2] - k.rim.mean[:2])) > max(b.rim.mean[2], k.rim.mean[2]) for k in kept]
        if all(apart):
            kept.append(b)
    return kept


@dataclass(frozen=True)
class _Around:
    """What lies about a disc: xy (n, 2) in the face's plane, z (n,) mm over the face there.

    height: that of the face there over its mean plane; ring (k, 2): of which points. other: z of the other face,
    -inf where it was not seen; whole: that face goes on behind the disc, or in a fused mesh, which fills holes
    and shows gaps as open edges, the same face in it.
    """

    xy: Array
    z: Array
    height: float
    ring: Array
    other: float
    whole: bool

    def down_the_wall(self, rim: Array, noise: float) -> NDArray[np.bool_]:
        """Which points (n,) lie near the wall of a circle (3,), no deeper than the other face of a thin sheet."""
        off = np.abs(np.hypot(*(self.xy - rim[:2]).T) - rim[2])
        return (self.z < -0.5) & (self.z > self.floor) & (off < max(1.0, 4 * noise))

    def standing(self, rim: Array, density: float) -> float:
        """Points that stand up along a circle (3,) against what a shaft of 20 mm would hold."""
        off = np.abs(np.hypot(*(self.xy - rim[:2]).T) - rim[2])
        before = ((self.z > 2.5) & (self.z < 20) & (off < 1.5)).sum()
        return float(before / (density * 2 * np.pi * rim[2] * 17.5))

    @property
    def floor(self) -> float:
        """How deep wall points may lie: those of a thin sheet's other face near the rim would pass for wall."""
        return max(-WALL_DEPTH, min(self.other + 0.6, -1.1))


def _measure(face: Face, disc: Array, cloud: Cloud) -> Bore | None:
    spacing = cloud.clean.spacing_mm
    reach = disc[2] + max(5 * spacing, 8.0)
    centre = face.centre + face.axes.T @ np.array([disc[0], disc[1], 0.0])
    local = (cloud.near(centre, reach + 4.0) - face.centre) @ face.axes.T
    height, ring = local_height(local, disc, face.tolerance, spacing)
    xy, z = local[:, :2], local[:, 2] - height
    if not _something_there(xy, z, disc, spacing) or _beside_a_wall(xy, z, disc, spacing):
        return None
    other, whole = other_face(xy, z, disc, spacing, max(DEEP_MM, SHEET_VOXELS * cloud.voxel_mm))
    whole = _dented(xy, z, disc, spacing) if cloud.mesh else whole
    around = _Around(xy, z, height, ring, other, whole)
    rim = (_fused if cloud.mesh else _sampled)(face, disc, cloud, around)
    if rim is None:
        return None
    edge = MESH_SHEET_EDGE if thin(around.other, cloud.voxel_mm) else MESH_EDGE
    return _judged(face, rim, around, spacing, edge * cloud.voxel_mm)


def _sampled(face: Face, disc: Array, cloud: Cloud, around: _Around) -> Rim | None:
    """The rim in a cloud of points, from how they fall about it, looked for twice."""
    spacing, noise = cloud.clean.spacing_mm, cloud.sigma
    on = around.xy[np.abs(around.z) < face.tolerance]
    start, width = disc.copy(), np.array([1.5, 1.5, 1.5]) * spacing
    for _ in range(2):
        ring = on[np.hypot(*(on - start[:2]).T) < start[2] + 4 * spacing]
        wall = around.xy[around.down_the_wall(start, noise)]
        points = RimPoints(ring, wall, _density(on, start, spacing), max(noise, 0.05), 0.15)
        rim = fit_rim(points, start, width, circle, circle_area)
        start, width = rim.mean, np.maximum(3 * np.sqrt(np.diag(rim.cov)), 0.3)
        if _astray(rim, disc):
            return None
    return rim


def _fused(face: Face, disc: Array, cloud: Cloud, around: _Around) -> Rim:
    """The rim in a fused mesh, from sections under the face; the disc, as a misfit, where they make no circle there."""
    rim = rim_at(face, disc, around.height, around.other, cloud)
    if rim is None or _astray(rim, disc):
        rim = Rim(disc, cloud.clean.spacing_mm**2 * np.eye(3), np.inf, 0, np.inf)
    return replace(rim, n_wall=int(around.down_the_wall(rim.mean, cloud.sigma).sum()))


def _astray(rim: Rim, disc: Array) -> bool:
    return bool(np.hypot(*(rim.mean[:2] - disc[:2])) > disc[2] or not 0.5 < rim.mean[2] / disc[2] < 2.0)


def _judged(face: Face, rim: Rim, around: _Around, spacing: float, edge: Array) -> Bore:
    r, on = rim.mean[2], around.xy[np.abs(around.z) < face.tolerance]
    density = _density(on, rim.mean, spacing)
    next_to = np.hypot(*(on - rim.mean[:2]).T) - r
    beside = ((next_to > 0) & (next_to < spacing)).sum() / (np.pi * spacing * (2 * r + spacing))
    further = ((next_to > 4) & (next_to < 8)).sum() / (np.pi * 4 * (2 * r + 12))
    return Bore(
        face=face,
        rim=rim,
        height=around.height,
        cover=cover(on, rim.mean[:2], r - 0.5, r + 2.5 * spacing),
        gap=widest_gap(on, rim.mean[:2], r - 0.5, r + 2.5 * spacing),
        n=int((next_to < 4 * spacing).sum()),
        rim_share=float(beside / density),
        wall_share=float(rim.n_wall / (density * 2 * np.pi * r * max(-around.floor - 0.5, 0.5))),
        standing=around.standing(rim.mean, density),
        closed_behind=around.whole,
        floor=around.floor,
        other=around.other,
        brim=float(further / density),
        ring=around.ring,
        edge=edge,
    )


def _something_there(xy: Array, z: Array, disc: Array, spacing: float) -> bool:
    """False for a mere gap in the scan: nothing near the rim down the wall or standing up from it."""
    off = np.abs(np.hypot(*(xy - disc[:2]).T) - disc[2])
    beside = xy[(off < 2.0 * spacing) & (np.abs(z) > 0.5) & (z > -WALL_DEPTH) & (z < 20.0)]
    return len(beside) >= 4 and cover(beside, disc[:2], 0.0, np.inf, 12) >= 0.3


def _dented(xy: Array, z: Array, disc: Array, spacing: float) -> bool:
    """True for a place in a fused mesh that is too wide to have been closed by fusing, and has sheet all over it."""
    inside = (np.hypot(*(xy - disc[:2]).T) < 0.7 * disc[2]) & (np.abs(z) < SHALLOW_MM)
    full = np.pi * (0.7 * disc[2] / spacing) ** 2
    return bool(2 * disc[2] > WIDE * spacing and inside.sum() > DENTED * full)


def _beside_a_wall(xy: Array, z: Array, disc: Array, spacing: float) -> bool:
    """True where something stands up on one side of a disc too wide for a stud, as a flange does."""
    if disc[2] < STUD_MM / 2 + spacing:
        return False
    off = np.abs(np.hypot(*(xy - disc[:2]).T) - disc[2])
    up = xy[(off < 1.5) & (z > 2.5) & (z < 20)]
    many = len(up) * spacing**2 > 0.3 * 2 * np.pi * disc[2] * 17.5
    return bool(many and cover(up, disc[:2], 0.0, np.inf) < 0.5)


def _density(on: Array, start: Array, spacing: float) -> float:
    """Face points per mm2 in the ring about the hole, over the sectors that hold any."""
    low, high = start[2] + 0.5 * spacing, start[2] + 4 * spacing
    rho = np.hypot(*(on - start[:2]).T)
    share = max(cover(on, start[:2], low, high), 0.2)
    return max(((rho > low) & (rho < high)).sum() / (np.pi * (high**2 - low**2) * share), 0.2 / spacing**2)
