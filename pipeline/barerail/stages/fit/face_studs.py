"""Studs on flat faces that are too thin for their foot to show as an empty disc between the points of a scan."""

import numpy as np

from barerail.records import Feature, Index, NoiseModel, Plane
from barerail.stages.fit.bores import STUD_MM
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused import MESH_EDGE
from barerail.stages.fit.heights import height_variance, local_height
from barerail.stages.fit.shafts import SHAFT_MM, Shaft, lots_of, shaft_in, stud_of
from barerail.stages.fit.studs import FOOT_MM, LONGEST, SQUARE
from barerail.stages.fit.surface import Surface

TOLERANCE_MM = 0.35
"""How far a face's points lie off its plane at least (judgement)."""
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
        beside = np.flatnonzero(np.abs(along) < f.length + FOOT_MM)
        off = np.linalg.norm(curved.points[beside] - f.point - along[beside, None] * f.axis, axis=1)
        loose[beside[off < _radius(f) + max(BESIDE_MM, cloud.voxel_mm)]] = False
    rows, edge = np.flatnonzero(loose), 1.5 * cloud.clean.voxel_mm
    studs = []
    for k, plane in enumerate(planes):
        for lot in lots_of(_over(rows, plane, curved, edge), curved, edge):
            shaft = _shaft(lot, plane, round_only)
            if shaft is not None:
                studs.append(stud_of(shaft, *_seat(shaft, plane, cloud, noise), noise, cloud, k))
    return studs


def _radius(f: Feature) -> float:
    return f.detail.get("outside_diameter_mm", f.diameter) / 2


def _over(rows: Index, plane: Plane, curved: Surface, edge: float) -> Index:
    """Those rows that lie over a face, as high as a stud's shaft may and a little more."""
    height = curved.points[rows] @ plane.normal - plane.centre @ plane.normal
    rows = rows[(height > SHAFT_MM) & (height < LONGEST + edge)]
    flat = (curved.points[rows] - plane.centre) @ plane.axes[:2].T
    return rows[(np.abs(flat) < np.array(plane.extent) / 2).all(axis=1)]


def _shaft(lot: Index, plane: Plane, round_only: Cloud) -> Shaft | None:
    """The shaft, taller than wide, that a lot of thinned points makes square on a face, or None where it makes none."""
    local = (round_only.surface.points[lot] - plane.centre) @ plane.axes.T
    low, high = local[:, 2].min(), local[:, 2].max()
    if low > FOOT_MM or high > LONGEST or np.ptp(local[:, :2], axis=0).max() > STUD_MM:
        return None
    shaft = shaft_in(lot, plane.normal, round_only)
    square = shaft is not None and shaft.axis @ plane.normal > SQUARE and high - low > 2 * shaft.fit.radius
    return shaft if square else None


def _seat(shaft: Shaft, plane: Plane, cloud: Cloud, noise: NoiseModel) -> tuple[float, float]:
    """Where along a shaft from its cylinder's point the face about its foot is met, mm, and the variance of that."""
    square = float(shaft.axis @ plane.normal)
    foot = shaft.fit.point + float((plane.centre - shaft.fit.point) @ plane.normal) / square * shaft.axis
    local = (cloud.near(foot, shaft.fit.radius + 3 * cloud.clean.spacing_mm + 12.0) - plane.centre) @ plane.axes.T
    disc = np.append((foot - plane.centre) @ plane.axes[:2].T, shaft.fit.radius)
    height, ring = local_height(local, disc, TOLERANCE_MM, cloud.clean.spacing_mm)
    seat = foot + height / square * shaft.axis
    up = height_variance(ring, noise) + (MESH_EDGE[3] * cloud.voxel_mm) ** 2
    return float((seat - shaft.fit.point) @ shaft.axis), up
