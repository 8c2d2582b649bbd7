"""Bores: round holes and slots in faces, and the studs that stand on them, from full-resolution points."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.neighbours import rows_of
from barerail.geometry.raster import cover, empty_discs, widest_gap
from barerail.geometry.rim import Rim, RimPoints, circle, circle_area, fit_rim
from barerail.records import Array, CleanScan, Index, NoiseModel
from barerail.settings import FitSettings
from barerail.stages.fit.patches import Patch, Surface

WALL_DEPTH = 4.0
STUD_MM = 32.0
"""Largest stud, mm (judgement)."""
SHEET = 9.0
"""Depth in mm within which a plate's other face shows which way a face looks, where the scan has no normals."""


@dataclass(frozen=True)
class Cloud:
    """The full-resolution chassis points, reached through their thinned ones; sigma: noise of one point, mm."""

    clean: CleanScan
    surface: Surface
    tree: cKDTree
    sigma: float

    def near(self, centre: Array, reach: float) -> Array:
        """Points (n, 3) of all cells whose mean lies within reach mm of centre."""
        cells = np.asarray(self.tree.query_ball_point(centre, reach, return_sorted=True), np.int64)
        return self.points(cells)

    def points(self, cells: Index) -> Array:
        """Full-resolution points (n, 3) of rows of the surface."""
        rows = rows_of(self.surface.rows[cells], self.clean.order, self.clean.start)
        return np.asarray(self.clean.scan.points[rows], float)


def cloud_of(clean: CleanScan, surface: Surface) -> Cloud:
    """A cloud with its search tree."""
    return Cloud(clean, surface, cKDTree(surface.points), clean.noise_mm)


@dataclass(frozen=True)
class Face:
    """A patch in its own plane: axes rows u, v, n with n outward; on (n, 2): full-resolution points on it there."""

    patch: int
    centre: Array
    axes: Array
    on: Array
    tolerance: float


@dataclass(frozen=True)
class Bore:
    """One round empty place in a face: what its rim says, and what stands before and behind it.

    cover: share of directions in which the rim closes; gap: the widest lot of them where it doesn't, deg. rim_share,
    wall_share: points next to the rim and down the wall against what the face's density promises. standing: the same
    for what stands up round it. closed_behind: the sheet's other face goes on behind it. brim: how much of the face
    there is further out, 4 to 8 mm from the rim.
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
    brim: float


def place(bore: Bore, xy: Array) -> Array:
    """A point of the face's frame, at the height of the face near the bore, in scan axes."""
    return bore.face.centre + bore.face.axes.T @ np.array([*xy, bore.height])


def in_face(bore: Bore, flat: Array, noise: NoiseModel) -> Array:
    """Covariance (3, 3) in scan axes from that in the face (2, 2) and the height of the ring about the bore."""
    local = np.zeros((3, 3))
    local[:2, :2] = flat
    local[2, 2] = noise.corr_mm**2 + noise.white_mm**2 / max(bore.n, 1)
    return bore.face.axes.T @ local @ bore.face.axes


def face_of(cloud: Cloud, patch: Patch, index: int) -> Face:
    """The full-resolution points of a patch, in its frame."""
    surface = cloud.surface
    axes = _frame(surface, patch)
    grown = (surface.points[patch.grown] - patch.centre) @ axes[:2].T
    low = np.append(grown.min(0) - 12.0, -cloud.clean.voxel_mm)
    high = np.append(grown.max(0) + 12.0, cloud.clean.voxel_mm)
    block = (surface.blocks.cells.mean - patch.centre) @ axes.T
    beside = np.linalg.norm(block - np.clip(block, low, high), axis=1)
    close = surface.blocks.within(beside, 0.0)
    rough = (surface.points[close] - patch.centre) @ axes.T
    inside = ((rough > low) & (rough < high)).all(1)
    local = (cloud.points(close[inside]) - patch.centre) @ axes.T
    tolerance = max(surface.tolerance, 0.35)
    return Face(index, patch.centre, axes, local[np.abs(local[:, 2]) < tolerance, :2], tolerance)


def _frame(surface: Surface, patch: Patch) -> Array:
    d = surface.points[patch.core] - patch.centre
    u = np.linalg.eigh(d.T @ d)[1][:, 2]
    n = patch.normal * outward(surface, patch)
    u = u - (u @ n) * n
    u /= np.linalg.norm(u)
    return np.array([u, np.cross(n, u), n])


def outward(surface: Surface, patch: Patch) -> float:
    """Sign that turns the patch's normal out of the metal: the scan's own, else away from what lies behind."""
    if surface.oriented:
        return 1.0 if np.sign(surface.normals[patch.core] @ patch.normal).sum() >= 0 else -1.0
    d = surface.points - patch.centre
    reach = np.linalg.norm(d[patch.core], axis=1).max()
    height, near = d @ patch.normal, np.linalg.norm(d, axis=1)
    off = np.abs(height) > 3 * surface.tolerance
    for deep, wide in ((SHEET, 0.0), (60.0, 20.0)):
        beside = off & (np.abs(height) < deep) & (near < reach + wide)
        ahead = float((height[beside] > 0).mean()) if beside.sum() > 20 else 0.5
        if abs(ahead - 0.5) > 0.2:
            break
    return 1.0 if ahead <= 0.5 else -1.0


def bores_in(face: Face, cloud: Cloud, settings: FitSettings) -> list[Bore]:
    """Every round empty place of the face that closes, with its rim."""
    spacing = cloud.clean.spacing_mm
    least = max(settings.hole_min_mm, 5 * spacing) / 2
    if len(face.on) < 30:
        return []
    shrink = 0.62 if cloud.clean.scan.triangles is not None else 0.72
    discs = empty_discs(face.on, max(0.5 * spacing, 0.5), shrink * least, settings.hole_max_mm / 2)
    found = [_measure(face, disc, cloud) for disc in _closed(face.on, discs, spacing)]
    return _distinct([b for b in found if b is not None and b.rim.mean[2] > shrink * least])


def _closed(on: Array, discs: Array, spacing: float) -> list[Array]:
    """Those discs with face points in at least 45 % of the directions round them: a slot's disc is open at its ends."""
    if not len(discs):
        return []
    tree = cKDTree(on)
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


def _measure(face: Face, disc: Array, cloud: Cloud) -> Bore | None:
    spacing, noise = cloud.clean.spacing_mm, cloud.sigma
    reach = disc[2] + max(5 * spacing, 8.0)
    centre = face.centre + face.axes.T @ np.array([disc[0], disc[1], 0.0])
    local = (cloud.near(centre, reach + 4.0) - face.centre) @ face.axes.T
    height = _local_height(local, disc, face.tolerance)
    z = local[:, 2] - height
    if not _something_there(local[:, :2], z, disc, spacing) or _beside_a_wall(local[:, :2], z, disc, spacing):
        return None
    on = local[np.abs(z) < face.tolerance][:, :2]
    start, width = disc.copy(), np.array([1.5, 1.5, 1.5]) * spacing
    floor, whole = _other_face(local, z, disc, spacing)
    for _ in range(2):
        rho = np.hypot(*(local[:, :2] - start[:2]).T)
        ring = on[np.hypot(*(on - start[:2]).T) < start[2] + 4 * spacing]
        density = _density(on, start, spacing)
        wall = (z < -0.5) & (z > floor) & (np.abs(rho - start[2]) < max(1.0, 4 * noise))
        points = RimPoints(ring, local[wall][:, :2], density, max(noise, 0.05), 0.15)
        rim = fit_rim(points, start, width, circle, circle_area)
        start, width = rim.mean, np.maximum(3 * np.sqrt(np.diag(rim.cov)), 0.3)
        if np.hypot(*(start[:2] - disc[:2])) > disc[2] or not 0.5 < start[2] / disc[2] < 2.0:
            return None
    return _judged(face, rim, local[:, :2], z, on, density, floor, whole, height)


def _judged(
    face: Face, rim: Rim, xy: Array, z: Array, on: Array, density: float, floor: float, whole: bool, height: float
) -> Bore:
    r, spacing = rim.mean[2], 1 / np.sqrt(density)
    off = np.hypot(*(xy - rim.mean[:2]).T) - r
    next_to = np.hypot(*(on - rim.mean[:2]).T) - r
    before = ((z > 2.5) & (z < 20) & (np.abs(off) < 1.5)).sum()
    beside = ((next_to > 0) & (next_to < spacing)).sum() / (np.pi * spacing * (2 * r + spacing))
    further = ((next_to > 4) & (next_to < 8)).sum() / (np.pi * 4 * (2 * r + 12))
    return Bore(
        face=face,
        rim=rim,
        height=height,
        cover=cover(on, rim.mean[:2], r - 0.5, r + 2.5 * spacing),
        gap=widest_gap(on, rim.mean[:2], r - 0.5, r + 2.5 * spacing),
        n=int((next_to < 4 * spacing).sum()),
        rim_share=float(beside / density),
        wall_share=float(rim.n_wall / (density * 2 * np.pi * r * max(-floor - 0.5, 0.5))),
        standing=float(before / (density * 2 * np.pi * r * 17.5)),
        closed_behind=whole,
        brim=float(further / density),
    )


def _other_face(local: Array, z: Array, disc: Array, spacing: float) -> tuple[float, bool]:
    """How deep wall points may lie, and whether the sheet's other face goes on behind the disc.

    Where the sheet is thin, points of its other face near the rim would pass for wall: look no deeper than it.
    """
    rho = np.hypot(*(local[:, :2] - disc[:2]).T)
    outside = z[(rho > disc[2] + 1.0) & (z < -0.8) & (z > -8.0)]
    if len(outside) < 10:
        return -WALL_DEPTH, False
    count, edges = np.histogram(outside, np.arange(-8.0, -0.3, 0.5))
    busy = np.flatnonzero(count > max(0.4 * count.max(), 0.15 * ((rho > disc[2] + 1.0) & (np.abs(z) < 0.5)).sum()))
    if not len(busy):
        return -WALL_DEPTH, False
    other = float(np.median(outside[(outside > edges[busy[-1]] - 0.3) & (outside < edges[busy[-1] + 1] + 0.3)]))
    behind = (np.abs(z - other) < 0.6) & (rho < 0.8 * disc[2])
    whole = behind.sum() > 0.4 * np.pi * (0.8 * disc[2]) ** 2 / spacing**2
    return max(-WALL_DEPTH, min(other + 0.6, -1.1)), bool(whole)


def _something_there(xy: Array, z: Array, disc: Array, spacing: float) -> bool:
    """False for a mere gap in the scan: nothing near the rim down the wall or standing up from it."""
    off = np.abs(np.hypot(*(xy - disc[:2]).T) - disc[2])
    beside = xy[(off < 2.0 * spacing) & (np.abs(z) > 0.5) & (z > -WALL_DEPTH) & (z < 20.0)]
    return len(beside) >= 4 and cover(beside, disc[:2], 0.0, np.inf, 12) >= 0.3


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


def _local_height(local: Array, disc: Array, tolerance: float) -> float:
    """The face's height over its mean plane near the hole: the median of the ring about it, mm."""
    rho = np.hypot(*(local[:, :2] - disc[:2]).T)
    ring = local[(rho > disc[2] + 0.5) & (np.abs(local[:, 2]) < 2 * tolerance), 2]
    return float(np.median(ring)) if len(ring) >= 12 else 0.0
