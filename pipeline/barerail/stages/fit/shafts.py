"""Shafts of studs among the loose points of a scan: those that lie on no face and no tube found."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.neighbours import touching
from barerail.geometry.raster import cover
from barerail.records import Array, Feature, Index, NoiseModel
from barerail.stages.fit.bores import STUD_MM
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused_round import THIN_SHAFT, all_round, fused_lean, shaft_width
from barerail.stages.fit.studs import SHAFT_DEG, THINNEST_MM, is_smooth, on_shaft, shaft_cov, thread_note
from barerail.stages.fit.surface import Surface

SHAFT_MM, FEWEST_LOOSE, FEWEST = 3.0, 8, 20
"""How high over its seat what is read of a stud's shaft begins, mm, and thinned and full-resolution points that are
enough for one (judgement)."""
MOST = 600


@dataclass(frozen=True)
class Shaft:
    """A round shaft: its cylinder, direction (3,) away from its seat, and full-resolution points (n, 3) on it, which of
    the cylinder's those are."""

    fit: CylinderFit
    axis: Array
    points: Array
    on: NDArray[np.bool_]


def lots_of(rows: Index, surface: Surface, edge: float) -> list[Index]:
    """Those rows of the surface as connected lots, each of enough points for a shaft; edge: of the cells, mm."""
    if not len(rows):
        return []
    piece = touching(surface.points[rows], edge)
    order = np.argsort(piece, kind="stable")
    lots = np.split(rows[order], np.flatnonzero(np.diff(piece[order])) + 1)
    return [lot for lot in lots if len(lot) >= FEWEST_LOOSE]


def shaft_in(lot: Index, out: Array, cloud: Cloud) -> Shaft | None:
    """The shaft that a lot of thinned points makes, about as `out` (3,) points; None where it makes none."""
    points = cloud.points(lot)
    if len(points) < FEWEST:
        return None
    points = points[:: max(1, len(points) // MOST)]
    try:
        fit = fit_cylinder(points, out, robust=True)
    except DataError:
        return None
    on = on_shaft(fit, cloud)
    shaft = Shaft(fit, fit.axis * np.sign(float(fit.axis @ out)), points[on], on)
    return shaft if _is_one(shaft, cloud) and _faces_outward(shaft, lot, cloud.surface) else None


def _faces_outward(shaft: Shaft, lot: Index, surface: Surface) -> bool:
    """Whether it is the outside of a shaft rather than the inside of a bore."""
    d = surface.points[lot] - shaft.fit.point
    radial = d - np.outer(d @ shaft.axis, shaft.axis)
    return bool(np.median(np.einsum("ij,ij->i", radial, surface.normals[lot])) > 0)


def _is_one(shaft: Shaft, cloud: Cloud) -> bool:
    fit, on = shaft.fit, shaft.on
    width = shaft_width(2 * fit.radius, cloud.voxel_mm)
    if on.mean() <= 0.8 or not THINNEST_MM <= width < STUD_MM:
        return False
    arc = arc_deg(shaft)
    smooth = is_smooth(fit, on, shaft.points, arc, cloud)
    return bool(smooth and arc > SHAFT_DEG and all_round(2 * fit.radius, arc, cloud.voxel_mm, THIN_SHAFT))


def arc_deg(shaft: Shaft) -> float:
    """Over how many degrees a shaft was seen."""
    return 360 * cover((shaft.points - shaft.fit.point) @ shaft.fit.axes[:2].T, np.zeros(2), 0.0, np.inf)


def rms_of(shaft: Shaft) -> float:
    """Rms in mm of a shaft's points about its cylinder."""
    return float(np.sqrt((shaft.fit.residuals[shaft.on] ** 2).mean()))


def stud_of(shaft: Shaft, seat: float, up: float, noise: NoiseModel, cloud: Cloud, plane: int = -1) -> Feature:
    """The stud whose shaft meets its seat `seat` mm along the axis from the cylinder's point, by a variance `up`.

    plane: the face it stands on, if any.
    """
    fit, axis = shaft.fit, shaft.axis
    cov = shaft_cov(fit, shaft.on, shaft.points, noise, cloud)
    flat, lever = fit.axes[:2].T, seat * np.sign(float(axis @ fit.axis))
    reach = np.hstack([np.eye(2), lever * np.eye(2), np.zeros((2, 1))])
    along = (shaft.points - fit.point) @ axis
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
        arc_deg=round(arc_deg(shaft)),
        n=int(shaft.on.sum()),
        rms=rms_of(shaft),
        plane=plane,
        note=thread_note(rms_of(shaft), cloud),
    )


def once(studs: list[Feature]) -> list[Feature]:
    """One stud a shaft, the first: one between two tubes, or through a plate, seems to stand on both."""
    kept: list[Feature] = []
    for s in studs:
        middle = s.point + s.length / 2 * s.axis
        if not any(_in_shaft(middle, k) for k in kept):
            kept.append(s)
    return kept


def _in_shaft(point: Array, stud: Feature) -> bool:
    along = float((point - stud.point) @ stud.axis)
    off = np.linalg.norm(point - stud.point - along * stud.axis)
    return bool(0 < along < stud.length and off < stud.diameter / 2)
