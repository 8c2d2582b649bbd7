"""Studs that stand on round tubes."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.circle import fit_circle
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.frames import basis
from barerail.geometry.neighbours import touching
from barerail.geometry.raster import cover
from barerail.records import Array, Feature, Index, NoiseModel
from barerail.settings import FitSettings
from barerail.stages.fit.bores import STUD_MM
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import fused_cov, fused_lean, shaft_width, skin_of
from barerail.stages.fit.studs import FOOT_MM, LONGEST
from barerail.stages.fit.surface import Surface

BESIDE_MM, BOWED_MM = 40.0, 4.0
"""How far along a tube its skin is read about a stud, and how far that may lie off its straight cylinder: judgement."""
FACING, FEWEST = 0.9, 30
"""Cosine by which a tube's skin faces outward at least, and thinned points of it that are enough (judgement)."""


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
        axis = fit.axis * np.sign(float(fit.axis @ out))
        tube = _there(tube, fit.point, axis, fit.radius, curved)
    except DataError:
        return None
    seat = _meets(fit.point, axis, tube)
    on = np.abs(fit.residuals) < max(4 * cloud.sigma, 0.35 * cloud.voxel_mm, 0.3)
    if seat is None or not _is_shaft(fit, points, on, cloud, settings):
        return None
    return _feature(fit, axis, seat, points[on], on, tube, noise, cloud)


def _there(tube: Feature, point: Array, axis: Array, radius: float, curved: Surface) -> Feature:
    """The tube as its skin runs about a stud's foot: on a frame that sags a long one is off its straight axis there."""
    d = curved.points - tube.point
    along = d @ tube.axis
    ring = np.flatnonzero(np.abs(along - (point - tube.point) @ tube.axis) < BESIDE_MM)
    off = curved.points[ring] - point
    clear = np.linalg.norm(off - np.outer(off @ axis, axis), axis=1) > radius + FOOT_MM
    away = d[ring] - np.outer(along[ring], tube.axis)
    high = np.linalg.norm(away, axis=1)
    away /= np.maximum(high, 1e-9)[:, None]
    skin = clear & (np.abs(high - tube.diameter / 2) < BOWED_MM)
    skin &= np.einsum("ij,ij->i", away, curved.normals[ring]) > FACING
    if skin.sum() < FEWEST:
        return tube
    flat = basis(tube.axis)[:2]
    fit = fit_circle(d[ring[skin]] @ flat.T, (0.0, 0.0, tube.diameter / 2), robust=True, radius=tube.diameter / 2)
    return replace(tube, point=tube.point + fit.centre @ flat)


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
