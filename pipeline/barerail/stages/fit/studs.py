"""Studs: round shafts that stand on a flat face, found by the empty disc at their foot or as short tubes."""

from dataclasses import replace

import numpy as np

from barerail.geometry.raster import cover
from barerail.records import Array, Feature, NoiseModel, Plane
from barerail.stages.fit.bores import STUD_MM, Bore, in_face, place
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused import MESH_EDGE, MESH_SHEET_EDGE, SHEET_VOXELS
from barerail.stages.fit.fused_round import THIN_SHAFT, all_round, shaft_width
from barerail.stages.fit.shafts import THINNEST_MM, shaft_of, stud_of

LONGEST = 90.0
"""Longest stud, mm (judgement)."""
SQUARE = np.cos(np.radians(6.0))
"""How square a stud stands on its face (judgement)."""
FOOT_MM = 8.0
"""How far above a tube the lowest point of a stud's shaft may be seen, mm: a weld hides its foot (judgement)."""


def stud_in(bore: Bore, cloud: Cloud, noise: NoiseModel) -> Feature | None:
    """The stud that stands in a bore: its axis where it meets the face. None for a tube's foot or anything else."""
    normal, r = bore.face.axes[2], float(bore.rim.mean[2])
    foot = place(bore, bore.rim.mean[:2])
    if not THINNEST_MM / 2 < r < STUD_MM / 2:
        return None
    body, top = _body(cloud.near(foot + 40.0 * normal, 60.0), foot, bore.face.axes, r)
    shaft = shaft_of(body, normal, cloud, 0.7, foot, 0.9 * r) if 5.0 < top < 80.0 else None
    if shaft is None or shaft.axis @ normal < SQUARE:
        return None
    if _faces_inward(cloud, foot + top / 2 * normal, normal, shaft.fit.radius):
        return None
    seat = float((foot - shaft.fit.point) @ normal / (shaft.axis @ normal))
    up = float(normal @ in_face(bore, np.zeros((2, 2)), noise) @ normal)
    return replace(stud_of(shaft, seat, up, noise, cloud, bore.face.patch), length=top)


def _body(points: Array, foot: Array, axes: Array, radius: float) -> tuple[Array, float]:
    """Points (k, 3) about a foot (3,) that may be a shaft's, without its top's edge, and how high that is, mm; 0 where
    they don't go round."""
    local = (points - foot) @ axes.T
    rho = np.hypot(local[:, 0], local[:, 1])
    rows = np.flatnonzero((local[:, 2] > 2.5) & (local[:, 2] < 90.0) & (rho < radius + 1.5) & (rho > 0.4 * radius))
    top = _top(local[rows, 2])
    seen = cover(local[rows, :2], np.zeros(2), 0.0, np.inf)
    return points[rows[local[rows, 2] < top - 1.0]], top if seen >= 0.5 else 0.0


def _faces_inward(cloud: Cloud, middle: Array, axis: Array, radius: float) -> bool:
    """Whether what stands round an axis is the inside of a bore rather than a shaft; False where normals can't say."""
    surface = cloud.surface
    rows = np.asarray(cloud.tree.query_ball_point(middle, radius + 8.0, return_sorted=True), np.int64)
    d = surface.points[rows] - middle
    radial = d - np.outer(d @ axis, axis)
    rho = np.linalg.norm(radial, axis=1)
    side = np.abs(rho - radius) < 1.0
    turn = np.einsum("ij,ij->i", radial[side], surface.normals[rows[side]])
    return bool(side.any() and np.median(turn) < 0)


def _top(heights: Array, step: float = 3.0) -> float:
    """Where the points above the face thin out: top of the unbroken run of busy bins from the face, mm."""
    if len(heights) < 20:
        return 0.0
    bins = np.bincount((heights / step).astype(int), minlength=2)[1:]
    busy = bins > 0.3 * np.median(bins[bins > 0])
    run = len(bins) if busy.all() else int(np.argmin(busy))
    inside = heights[heights < (run + 1) * step]
    return float(np.quantile(inside, 0.99)) if run else 0.0


def shafts_on_faces(
    tubes: list[Feature], planes: tuple[Plane, ...], voxel: float
) -> tuple[list[Feature], list[Feature]]:
    """Short tubes that stand square on a flat face, whose foot no empty disc has given away, as studs; and the rest.

    voxel: edge in mm of those that a mesh was fused in, 0 of a cloud.
    """
    studs, rest = [], []
    for t in tubes:
        short = t.kind == "tube" and t.diameter < STUD_MM and t.length < LONGEST
        short &= all_round(t.diameter, t.arc_deg, voxel, THIN_SHAFT)
        seats = [s for k in range(len(planes)) if (s := _stands_on(t, planes, k, voxel)) is not None] if short else []
        studs += seats[:1]
        rest += [] if seats else [t]
    return rest, studs


def _stands_on(tube: Feature, planes: tuple[Plane, ...], k: int, voxel: float) -> Feature | None:
    """The stud a short tube is on a face, or None where it does not end there square and on the outer side."""
    plane = planes[k]
    square = float(tube.axis @ plane.normal)
    if abs(square) < SQUARE:
        return None
    axis = tube.axis * np.sign(square)
    height = float((tube.point - plane.centre) @ plane.normal) / abs(square)
    seat = tube.point - height * axis
    beside = np.abs(plane.axes[:2] @ (seat - plane.centre)) > np.array(plane.extent) / 2
    if beside.any() or not -1.0 < height - tube.length / 2 < FOOT_MM:
        return None
    pushed = MESH_SHEET_EDGE[3] if _is_sheet(seat, plane, planes, voxel) else MESH_EDGE[3]
    across, up = np.eye(3) - np.outer(axis, axis), float(plane.cov[0, 0] + (pushed * voxel) ** 2)
    return replace(
        tube,
        kind="stud",
        point=seat,
        axis=axis,
        length=height + tube.length / 2,
        diameter=shaft_width(tube.diameter, voxel),
        cov=across @ (tube.cov + height**2 * tube.cov_axis) @ across + up * np.outer(axis, axis),
        u_length=tube.u_length,
        plane=k,
        ends=np.zeros((0, 3)),
        detail={},
    )


def _is_sheet(at: Array, plane: Plane, planes: tuple[Plane, ...], voxel: float) -> bool:
    """Whether a face has another one so close behind it, at a place (3,), that each disturbs the other in a mesh."""
    return any(
        plane.normal @ p.normal < -SQUARE
        and 0 < (at - p.centre) @ plane.normal < SHEET_VOXELS * voxel
        and (np.abs(p.axes[:2] @ (at - p.centre)) < np.array(p.extent) / 2).all()
        for p in planes
    )
