"""Studs on flat faces that are too thin for their foot to show as an empty disc between the points of a scan."""

import numpy as np

from barerail.forked import mapped
from barerail.geometry.raster import cover
from barerail.records import Array, Feature, Index, NoiseModel, Plane
from barerail.stages.fit.bores import STUD_MM
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused import MESH_EDGE, MESH_SHEET_EDGE, SHEET_VOXELS, thin
from barerail.stages.fit.heights import DEEP_MM, height_variance, local_height, other_face
from barerail.stages.fit.shafts import SHAFT_MM, Shaft, lots_of, shaft_in, stud_of
from barerail.stages.fit.studs import FOOT_MM, LONGEST, SQUARE

TOLERANCE_MM = 0.35
"""How far a face's points lie off its plane at least (judgement)."""
ABOUT = 0.6
"""Share of directions about its foot in which the face must show: a pin beside an edge stands on none (judgement)."""
BESIDE_MM = 1.0
"""How far off a round thing's radius its own points may lie, or a voxel (judgement)."""


def studs_over(
    planes: tuple[Plane, ...],
    round_things: list[Feature],
    cloud: Cloud,
    round_only: Cloud,
    noise: NoiseModel,
) -> list[Feature]:
    """Studs that stand on the faces among the loose points: those on none of the tubes, sleeves and studs found."""
    curved = round_only.surface
    loose = np.ones(len(curved.points), bool)
    for f in round_things:
        along = curved.points @ f.axis - f.point @ f.axis
        low, high = (0.0, f.length) if f.kind == "stud" else (-f.length / 2, f.length / 2)
        beside = np.flatnonzero((along > low - FOOT_MM) & (along < high + FOOT_MM))
        off = np.linalg.norm(curved.points[beside] - f.point - along[beside, None] * f.axis, axis=1)
        loose[beside[off < _radius(f) + max(BESIDE_MM, cloud.voxel_mm)]] = False
    rows, edge = np.flatnonzero(loose), 1.5 * cloud.clean.voxel_mm
    points = curved.points[rows]

    def over(k: int) -> list[Feature]:
        studs = []
        for lot in lots_of(rows[_over(points, planes[k], edge)], curved, edge):
            shaft = _shaft(lot, planes[k], round_only)
            seat = None if shaft is None else _seat(shaft, planes[k], cloud, noise)
            if shaft is not None and seat is not None:
                studs.append(stud_of(shaft, *seat, noise, cloud, k))
        return studs

    return [stud for studs in mapped(over, range(len(planes))) for stud in studs]


def _radius(f: Feature) -> float:
    return f.detail.get("outside_diameter_mm", f.diameter) / 2


def _over(points: Array, plane: Plane, edge: float) -> Index:
    """Which points (n, 3) lie over a face, as high as a stud's shaft may and a little more."""
    height = points @ plane.normal - plane.centre @ plane.normal
    over = np.flatnonzero((height > SHAFT_MM) & (height < LONGEST + edge))
    border = (plane.outline - plane.centre) @ plane.axes[:2].T
    flat = (points[over] - plane.centre) @ plane.axes[:2].T
    return over[((flat > border.min(axis=0)) & (flat < border.max(axis=0))).all(axis=1)]


def _shaft(lot: Index, plane: Plane, round_only: Cloud) -> Shaft | None:
    """The shaft, taller than wide, that a lot of thinned points makes square on a face, or None where it makes none."""
    local = (round_only.surface.points[lot] - plane.centre) @ plane.axes.T
    low, high = local[:, 2].min(), local[:, 2].max()
    if low > FOOT_MM or high > LONGEST or np.ptp(local[:, :2], axis=0).max() > STUD_MM:
        return None
    shaft = shaft_in(lot, plane.normal, round_only)
    square = shaft is not None and shaft.axis @ plane.normal > SQUARE and high - low > 2 * shaft.fit.radius
    return shaft if square else None


def _seat(shaft: Shaft, plane: Plane, cloud: Cloud, noise: NoiseModel) -> tuple[float, float] | None:
    """Where along a shaft from its cylinder's point the face about its foot is met, mm, and the variance of that; None
    where the face was not seen about it."""
    square, spacing = float(shaft.axis @ plane.normal), cloud.clean.spacing_mm
    foot = shaft.fit.point + float((plane.centre - shaft.fit.point) @ plane.normal) / square * shaft.axis
    local = (cloud.near(foot, shaft.fit.radius + 3 * spacing + 12.0) - plane.centre) @ plane.axes.T
    disc = np.append((foot - plane.centre) @ plane.axes[:2].T, shaft.fit.radius)
    height, ring = local_height(local, disc, TOLERANCE_MM, spacing)
    if cover(ring, disc[:2], 0.0, np.inf) < ABOUT:
        return None
    deep = max(DEEP_MM, SHEET_VOXELS * cloud.voxel_mm)
    other, _ = other_face(local[:, :2], local[:, 2] - height, disc, spacing, deep)
    pushed = MESH_SHEET_EDGE[3] if thin(other, cloud.voxel_mm) else MESH_EDGE[3]
    seat = foot + height / square * shaft.axis
    up = height_variance(ring, noise) + (pushed * cloud.voxel_mm) ** 2
    return float((seat - shaft.fit.point) @ shaft.axis), up
