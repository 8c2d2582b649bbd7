"""Studs: round shafts that stand on a flat face, found by the empty disc at their foot, or on a round tube."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.neighbours import touching
from barerail.geometry.raster import cover
from barerail.records import Array, Feature, Index, NoiseModel, Plane
from barerail.settings import FitSettings
from barerail.stages.fit.bores import STUD_MM, Bore, in_face, place
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import fused_cov, fused_lean, shaft_width, skin_of
from barerail.stages.fit.fused import MESH_EDGE
from barerail.stages.fit.surface import Surface

LONGEST = 90.0
"""Longest stud, mm (judgement)."""
SQUARE = np.cos(np.radians(6.0))
"""How square a stud stands on its face (judgement)."""
FOOT_MM = 8.0
"""How far above a tube the lowest point of a stud's shaft may be seen, mm: a weld hides its foot (judgement)."""


def stud_in(bore: Bore, cloud: Cloud, noise: NoiseModel, settings: FitSettings) -> Feature | None:
    """The stud that stands in a bore: its axis where it meets the face. None for a tube's foot or anything else."""
    axes, r = bore.face.axes, float(bore.rim.mean[2])
    foot = place(bore, bore.rim.mean[:2])
    if not settings.hole_min_mm / 2 < r < STUD_MM / 2:
        return None
    local = (cloud.near(foot + 40.0 * axes[2], 60.0) - foot) @ axes.T
    rho = np.hypot(local[:, 0], local[:, 1])
    shaft = local[(local[:, 2] > 2.5) & (local[:, 2] < 90.0) & (rho < r + 1.5) & (rho > 0.4 * r)]
    top = _top(shaft[:, 2])
    if not 5.0 < top < 80.0 or cover(shaft[:, :2], np.zeros(2), 0.0, np.inf) < 0.5:
        return None
    body = shaft[shaft[:, 2] < top - 1.0]
    body = body[:: max(1, len(body) // 600)]
    try:
        fit = fit_cylinder(body, [0.0, 0.0, 1.0], [0.0, 0.0, 0.0], 0.9 * r, robust=True)
    except DataError:
        return None
    axis = fit.axis * np.sign(fit.axis[2])
    near = np.abs(fit.residuals) < max(4 * cloud.sigma, 0.35 * cloud.voxel_mm, 0.3)
    if axis[2] < SQUARE or near.mean() <= 0.7 or 2 * fit.radius < settings.hole_min_mm:
        return None
    arc = cover(body[near][:, :2], fit.point[:2], 0.0, 2 * r)
    rms = float(np.sqrt((fit.residuals[near] ** 2).mean()))
    if arc <= 0.6 or not rms < max(cloud.roughest(1.5), 0.15):
        return None
    if _faces_inward(cloud, foot + top / 2 * axes[2], axes[2], fit.radius):
        return None
    lift = -float(fit.point[2] / axis[2])
    at = fit.point + axis * lift
    cov = propagate(fit.jacobian[near], body[near], noise) + fused_cov(cloud.voxel_mm, fit.radius)
    ways = axes.T @ fit.axes[:2].T
    reach = np.hstack([np.eye(2), lift * np.sign(fit.axis[2]) * np.eye(2), np.zeros((2, 1))])
    lean = fused_lean(cloud.voxel_mm, fit.radius, top)
    height = in_face(bore, np.zeros((2, 2)), noise)
    return Feature(
        kind="stud",
        point=foot + axes.T @ at,
        axis=axes.T @ axis,
        diameter=shaft_width(2 * fit.radius, cloud.voxel_mm),
        length=top,
        cov=ways @ reach @ cov @ reach.T @ ways.T + height,
        cov_axis=ways @ (cov[2:4, 2:4] + lean * np.eye(2)) @ ways.T,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=cloud.clean.spacing_mm / 2,
        arc_deg=round(360 * arc),
        n=int(near.sum()),
        rms=rms,
        plane=bore.face.patch,
    )


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


def studs_on(
    tubes: list[Feature], curved: Surface, cloud: Cloud, noise: NoiseModel, settings: FitSettings
) -> list[Feature]:
    """Studs that stand on the longer tubes: lots of loose points about an axis that goes through a tube's own."""
    seats = [t for t in tubes if t.diameter > STUD_MM and t.length > LONGEST]
    loose = np.ones(len(curved.points), bool)
    lots = []
    for t in tubes:
        skin = skin_of(curved, t.axis, t.point, t.diameter / 2)
        if t in seats:
            loose[skin] = False
        elif t.diameter < STUD_MM and t.length < LONGEST:
            lots.append(skin[np.abs((curved.points[skin] - t.point) @ t.axis) < t.length / 2 + 5.0])
            loose[lots[-1]] = False
    rows = np.flatnonzero(loose)
    piece = touching(curved.points[rows], 1.5 * cloud.clean.voxel_mm) if len(rows) else np.zeros(0, int)
    order = np.argsort(piece, kind="stable")
    lots += np.split(rows[order], np.flatnonzero(np.diff(piece[order])) + 1)
    found = [_on_tube(lot, t, curved, cloud, noise, settings) for lot in lots if len(lot) >= 8 for t in seats]
    return [f for f in found if f is not None]


def _on_tube(
    lot: Index, tube: Feature, curved: Surface, cloud: Cloud, noise: NoiseModel, settings: FitSettings
) -> Feature | None:
    """The stud a lot of thinned points makes on a tube, or None where it makes none."""
    d = curved.points[lot] - tube.point
    along = d @ tube.axis
    height = np.linalg.norm(d - np.outer(along, tube.axis), axis=1) - tube.diameter / 2
    near = np.abs(along).max() < tube.length / 2 + STUD_MM and -1.0 < height.min() < FOOT_MM
    if not near or not 5.0 < height.max() < LONGEST or np.ptp(along) > STUD_MM + 5:
        return None
    shaft = lot[height > 3.0]
    points = cloud.points(shaft)
    if len(points) < 20:
        return None
    points = points[:: max(1, len(points) // 600)]
    middle = points.mean(axis=0) - tube.point
    out = middle - (middle @ tube.axis) * tube.axis
    try:
        fit = fit_cylinder(points, out / np.linalg.norm(out), robust=True)
    except DataError:
        return None
    axis = fit.axis * np.sign(float(fit.axis @ out))
    seat = _meets(fit.point, axis, tube)
    on = np.abs(fit.residuals) < max(4 * cloud.sigma, 0.35 * cloud.voxel_mm, 0.3)
    if seat is None or not _is_shaft(fit, points, on, cloud, settings):
        return None
    return _feature(fit, axis, seat, points[on], on, tube, noise, cloud)


def _is_shaft(fit: CylinderFit, points: Array, on: NDArray[np.bool_], cloud: Cloud, settings: FitSettings) -> bool:
    local = (points[on] - fit.point) @ fit.axes[:2].T
    rms = float(np.sqrt((fit.residuals[on] ** 2).mean())) if on.any() else np.inf
    sized = settings.hole_min_mm / 2 <= fit.radius < STUD_MM / 2
    round_about = cover(local, np.zeros(2), 0.0, np.inf) > 0.6
    smooth = rms < (cloud.roughest(1.5) if cloud.mesh else 1.5 * cloud.sigma)
    return bool(sized and round_about and on.mean() > 0.8 and smooth)


def _meets(point: Array, axis: Array, tube: Feature) -> float | None:
    """Place along a line, from `point`, where it comes out of a tube; None where it misses the tube's middle half."""
    d = point - tube.point
    w, v = d - (d @ tube.axis) * tube.axis, axis - (axis @ tube.axis) * tube.axis
    a, b, c = float(v @ v), float(w @ v), float(w @ w) - tube.diameter**2 / 4
    if a < 0.5 or b * b - a * c <= 0 or np.sqrt(max(float(w @ w) - b * b / a, 0.0)) > tube.diameter / 4:
        return None
    return float((-b + np.sqrt(b * b - a * c)) / a)


def _feature(
    fit: CylinderFit,
    axis: Array,
    seat: float,
    points: Array,
    on: NDArray[np.bool_],
    tube: Feature,
    noise: NoiseModel,
    cloud: Cloud,
) -> Feature:
    cov = propagate(fit.jacobian[on], points, noise) + fused_cov(cloud.voxel_mm, fit.radius)
    flat, lever = fit.axes[:2].T, seat * np.sign(float(axis @ fit.axis))
    reach = np.hstack([np.eye(2), lever * np.eye(2), np.zeros((2, 1))])
    along = (points - fit.point) @ axis
    local = (points - fit.point) @ fit.axes[:2].T
    up = _seat_variance(tube, axis, fit.point + seat * axis)
    lean = fused_lean(cloud.voxel_mm, fit.radius, float(np.ptp(along)))
    return Feature(
        kind="stud",
        point=fit.point + seat * axis,
        axis=axis,
        diameter=shaft_width(2 * fit.radius, cloud.voxel_mm),
        length=float(np.quantile(along, 0.99) - seat),
        cov=flat @ reach @ cov @ reach.T @ flat.T + up * np.outer(axis, axis),
        cov_axis=flat @ (cov[2:4, 2:4] + lean * np.eye(2)) @ flat.T,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=cloud.clean.spacing_mm / 2,
        arc_deg=round(360 * cover(local, np.zeros(2), 0.0, np.inf)),
        n=int(on.sum()),
        rms=float(np.sqrt((fit.residuals[on] ** 2).mean())),
    )


def _seat_variance(tube: Feature, axis: Array, seat: Array) -> float:
    """Variance in mm2, along a stud's axis, of where it meets a tube's surface, by the tube's fit."""
    square = axis - (axis @ tube.axis) * tube.axis
    lean = float(np.linalg.norm(square))
    square, lever = square / lean, float((seat - tube.point) @ tube.axis)
    across = square @ (tube.cov + lever**2 * tube.cov_axis) @ square
    return float(across + (tube.u_diameter / 2) ** 2) / lean**2


def shafts_on_faces(
    tubes: list[Feature], planes: tuple[Plane, ...], voxel: float
) -> tuple[list[Feature], list[Feature]]:
    """Short tubes that stand square on a flat face, whose foot no empty disc has given away, as studs; and the rest.

    voxel: edge in mm of those that a mesh was fused in, 0 of a cloud.
    """
    studs, rest = [], []
    for t in tubes:
        short = t.diameter < STUD_MM and t.length < LONGEST and t.detail.get("facing", 1.0) > 0
        seats = [s for k, p in enumerate(planes) if (s := _stands_on(t, p, k, voxel)) is not None] if short else []
        studs += seats[:1]
        rest += [] if seats else [t]
    return rest, studs


def _stands_on(tube: Feature, plane: Plane, k: int, voxel: float) -> Feature | None:
    """The stud a short tube is on a face, or None where it does not end there square and on the outer side."""
    square = float(tube.axis @ plane.normal)
    if abs(square) < SQUARE:
        return None
    axis = tube.axis * np.sign(square)
    height = float((tube.point - plane.centre) @ plane.normal) / abs(square)
    seat = tube.point - height * axis
    beside = np.abs(plane.axes[:2] @ (seat - plane.centre)) > np.array(plane.extent) / 2
    if beside.any() or not -1.0 < height - tube.length / 2 < FOOT_MM:
        return None
    across, up = np.eye(3) - np.outer(axis, axis), float(plane.cov[0, 0] + (MESH_EDGE[3] * voxel) ** 2)
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
