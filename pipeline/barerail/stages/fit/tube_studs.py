"""Studs that stand on round tubes."""

from dataclasses import replace

import numpy as np

from barerail.errors import DataError
from barerail.geometry.circle import fit_circle
from barerail.geometry.frames import basis
from barerail.records import Array, Feature, Index, NoiseModel
from barerail.stages.fit.bores import STUD_MM
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import skin_of
from barerail.stages.fit.fused_round import THIN_TUBE, all_round
from barerail.stages.fit.shafts import FEWEST_LOOSE, SHAFT_MM, lots_of, once, shaft_in, stud_of
from barerail.stages.fit.studs import FOOT_MM, LONGEST
from barerail.stages.fit.surface import Surface

BESIDE_MM, BOWED_MM = 40.0, 4.0
"""How far along a tube its skin is read about a stud, and how far that may lie off its straight cylinder: judgement."""
STRUT_MM = 14.0
"""Width from which on a round thing between two tubes is a strut and no stud (judgement)."""
FACING, FEWEST = 0.9, 30
"""Cosine by which a tube's skin faces outward at least, and thinned points of it that are enough (judgement)."""


def studs_on(tubes: list[Feature], curved: Surface, cloud: Cloud, noise: NoiseModel) -> list[Feature]:
    """Studs that stand on the longer tubes: lots of loose points about an axis that goes through a tube's own."""
    seats = [t for t in tubes if t.length > LONGEST and all_round(t.diameter, t.arc_deg, cloud.voxel_mm, THIN_TUBE)]
    loose = np.ones(len(curved.points), bool)
    short = []
    for t in tubes:
        skin = skin_of(curved, t.axis, t.point, t.diameter / 2)
        if t in seats:
            loose[skin] = False
        elif t.diameter < STUD_MM:
            short.append(skin[np.abs((curved.points[skin] - t.point) @ t.axis) < t.length / 2 + 5.0])
            loose[short[-1]] = False
    rows, edge = np.flatnonzero(loose), 1.5 * cloud.clean.voxel_mm
    short = [lot for lot in short if len(lot) >= FEWEST_LOOSE]
    lots = [(t, lot) for t in seats for lot in (*short, *lots_of(_about(rows, t, curved, edge), curved, edge))]
    found = [(t, f) for t, lot in lots if (f := _on_tube(lot, t, curved, cloud, noise)) is not None]
    found.sort(key=lambda each: (_askew(*each), -each[0].length))
    return once([f for _, f in found if not _is_strut(f, seats)])


def _askew(tube: Feature, stud: Feature) -> float:
    """How far a stud is from standing square on a tube and through its axis: the sine of the angle and a share of the
    radius together. Between two tubes it stands on the one to which it is less askew."""
    across = np.cross(stud.axis, tube.axis)
    off = abs(float((stud.point - tube.point) @ across)) / float(np.linalg.norm(across))
    return abs(float(stud.axis @ tube.axis)) + off / (tube.diameter / 2)


def _is_strut(stud: Feature, tubes: list[Feature]) -> bool:
    """Whether what stands on a tube is as thick as struts are and ends on another one."""
    top = (stud.point + stud.length * stud.axis)[None]
    ends_on = [
        np.abs(height) < FOOT_MM and np.abs(along) < t.length / 2 for t in tubes for along, height in [_over(t, top)]
    ]
    return stud.diameter > STRUT_MM and bool(np.any(ends_on))


def _about(rows: Index, tube: Feature, curved: Surface, edge: float) -> Index:
    """Those rows that lie about a tube, as high over it as a stud's shaft may and a little more: what goes on beyond is
    none."""
    along, height = _over(tube, curved.points[rows])
    return rows[(np.abs(along) < tube.length / 2 + STUD_MM) & (height > SHAFT_MM) & (height < LONGEST + edge)]


def _over(tube: Feature, points: Array) -> tuple[Array, Array]:
    """How far along a tube's axis from its middle points (n, 3) lie, and how high over its skin, mm."""
    d = points - tube.point
    along = d @ tube.axis
    return along, np.linalg.norm(d - np.outer(along, tube.axis), axis=1) - tube.diameter / 2


def _on_tube(lot: Index, tube: Feature, curved: Surface, cloud: Cloud, noise: NoiseModel) -> Feature | None:
    """The stud a lot of thinned points makes on a tube, or None where it makes none."""
    along, height = _over(tube, curved.points[lot])
    near = np.abs(along).max() < tube.length / 2 + STUD_MM and -1.0 < height.min() < FOOT_MM
    if not near or not 5.0 < height.max() < LONGEST or np.ptp(along) > STUD_MM + 5:
        return None
    lot = lot[height > SHAFT_MM]
    middle = curved.points[lot].mean(axis=0) - tube.point
    out = middle - (middle @ tube.axis) * tube.axis
    shaft = shaft_in(lot, out / np.linalg.norm(out), cloud)
    if shaft is None or shaft.fit.radius >= tube.diameter / 2:
        return None
    try:
        tube = _there(tube, shaft.fit.point, shaft.axis, shaft.fit.radius, curved)
    except DataError:
        return None
    seat = _meets(shaft.fit.point, shaft.axis, tube)
    if seat is None:
        return None
    up = _seat_variance(tube, shaft.axis, shaft.fit.point + seat * shaft.axis)
    return stud_of(shaft, seat, up, noise, cloud)


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
    here = float((point - tube.point) @ tube.axis)
    return replace(tube, point=tube.point + here * tube.axis + fit.centre @ flat)


def _meets(point: Array, axis: Array, tube: Feature) -> float | None:
    """Place along a line, from `point`, where it comes out of a tube; None where it misses the tube's middle half."""
    d = point - tube.point
    w, v = d - (d @ tube.axis) * tube.axis, axis - (axis @ tube.axis) * tube.axis
    a, b, c = float(v @ v), float(w @ v), float(w @ w) - tube.diameter**2 / 4
    if a < 0.5 or b * b - a * c <= 0 or np.sqrt(max(float(w @ w) - b * b / a, 0.0)) > tube.diameter / 4:
        return None
    return float((-b + np.sqrt(b * b - a * c)) / a)


def _seat_variance(tube: Feature, axis: Array, seat: Array) -> float:
    """Variance in mm2, along a stud's axis, of where it meets a tube's surface, by the tube's fit."""
    square = axis - (axis @ tube.axis) * tube.axis
    lean = float(np.linalg.norm(square))
    square, lever = square / lean, float((seat - tube.point) @ tube.axis)
    across = square @ (tube.cov + lever**2 * tube.cov_axis) @ square
    return float(across + (tube.u_diameter / 2) ** 2) / lean**2
