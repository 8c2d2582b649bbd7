"""Bent tubes: straight pieces of round tube joined by circular arcs, where the surface between shows the arc.

Bauer & Polthier, Parametric models of tubes from laser scans: a spine of lines and arcs that touch.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from barerail.errors import DataError
from barerail.geometry.covariance import propagate
from barerail.geometry.leastsquares import Solution, inverse_normal, solve
from barerail.records import Array, Feature, Frozen, NoiseModel, TubeBend
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.corner import Corner, corner_of, lines_of, spread
from barerail.stages.fit.cylinders import LEAST_ARC, arc_of, band_of

SAME_SIZE = 0.04
"""How far the diameters of two pieces of one tube may differ, as a share (judgement)."""
LEAST_DEG, MOST_DEG = 5.0, 120.0
OFF_AXIS = 0.25
"""How far apart the axes of both pieces may pass, in radii (judgement)."""
TIGHTEST = 1.0
"""Least bend radius in tube diameters: a sharper one is a mitre (judgement; benders' usual least is 1.5)."""
WIDEST = 15.0
"""Largest bend radius in tube diameters that is looked for (judgement)."""
SEEN = 0.7
"""Share of an arc's length that has to show its surface (judgement)."""
OVAL = 0.02
"""Largest rms of the points about the arc, in diameters: tubes flatten in a bend (judgement)."""
MOST_POINTS = 3000
ARC_STEP = np.radians(3.0)


def bends_of(cloud: Cloud, found: Sequence[Feature], noise: NoiseModel) -> list[TubeBend]:
    """Bends by which tubes of `found` go on into each other, the best known first; none where an arc isn't seen."""
    tubes = [i for i, f in enumerate(found) if f.kind == "tube"]
    bends = [b for i, j in combinations(tubes, 2) if (b := _bend(cloud, found, (i, j), noise)) is not None]
    return sorted(bends, key=lambda b: b.u_radius / b.radius)


def _bend(cloud: Cloud, found: Sequence[Feature], rows: tuple[int, int], noise: NoiseModel) -> TubeBend | None:
    a, b = (found[i] for i in rows)
    corner = _facing(a, b)
    size = (a.diameter + b.diameter) / 2
    start = _start(cloud, corner, size, _clear(corner, a, b)) if corner is not None else None
    if corner is None or start is None:
        return None
    ring = _fitted(cloud, corner, start, size / 2)
    if ring is None or not _is_seen(cloud, corner, ring) or ring.rms > max(cloud.roughest(1.45), OVAL * size):
        return None
    u = _u_radius(ring, lines_of(a, b), spread(a, b), noise)
    if not (ring.radius >= TIGHTEST * size and ring.radius - 4 * u >= size / 2):
        return None
    arc = corner.arc(ring.radius, max(2, round(corner.turn / ARC_STEP)) + 1)
    return TubeBend(rows, ring.radius, u, float(np.degrees(corner.turn)), arc, len(ring.points), ring.rms)


def _facing(a: Feature, b: Feature) -> Corner | None:
    """Where the axes of two pieces of one tube meet beyond an end of each; None where they can't be."""
    size = (a.diameter + b.diameter) / 2
    cosine = abs(float(a.axis @ b.axis))
    if abs(a.diameter - b.diameter) > SAME_SIZE * size or cosine > np.cos(np.radians(LEAST_DEG)):
        return None
    corner = corner_of(lines_of(a, b))
    angle = np.degrees(corner.turn)
    near = corner.gap < OFF_AXIS * size / 2 and -size < _clear(corner, a, b) < corner.back(WIDEST * size)
    return corner if near and LEAST_DEG < angle < MOST_DEG else None


def _clear(corner: Corner, a: Feature, b: Feature) -> float:
    """How far from the corner the nearer of both straight pieces was seen to end, mm."""
    return min(away - f.length / 2 for away, f in zip(corner.away, (a, b), strict=True))


def _start(cloud: Cloud, corner: Corner, size: float, clear: float) -> float | None:
    """The bend radius, of many tried, whose centreline has the most thinned surface about it; None where none has."""
    tangent = np.tan(corner.turn / 2)
    most = min((clear + size) / tangent, WIDEST * size)
    if most < TIGHTEST * size:
        return None
    tried = np.geomspace(TIGHTEST * size, most, max(2, int(np.log(most / (TIGHTEST * size)) / 0.06) + 1))
    reach = most * tangent + size
    rows = cloud.tree.query_ball_point(corner.at, reach, return_sorted=True)
    points = corner.local(cloud.surface.points[rows])
    points = points[np.abs(points[:, 2]) < size]
    band = band_of(cloud.surface, size / 2)
    count = [(np.abs(corner.off(points, r) - size / 2) < band).sum() for r in tried]
    return float(tried[int(np.argmax(count))])


@dataclass(frozen=True, eq=False)
class _Ring(Frozen):
    """A fitted arc: points (n, 3) in scan axes, residuals (n,) and Jacobian (n, 2) by bend radius and tube radius."""

    radius: float
    tube: float
    points: Array
    residuals: Array
    jacobian: Array

    @property
    def rms(self) -> float:
        return float(np.sqrt((self.residuals**2).mean()))


def _fitted(cloud: Cloud, corner: Corner, radius: float, tube: float) -> _Ring | None:
    """Bend radius and tube radius by robust least squares on the full-resolution points of the arc."""
    band = max(band_of(cloud.surface, tube), 2 * OVAL * tube)
    for _ in range(3):
        middle = corner.arc(radius, 3)[1]
        points = cloud.near(middle, radius * corner.turn / 2 + 2 * tube)
        local = corner.local(points)
        keep = np.flatnonzero(corner.within(local, radius) & (np.abs(corner.off(local, radius) - tube) < band))
        keep = keep[:: max(1, len(keep) // MOST_POINTS)]
        local = local[keep]
        try:
            fit = _solved(corner, local, radius, tube)
        except DataError:
            return None
        radius, tube = map(float, fit.x)
        if not radius > tube:
            return None
    on = np.abs(fit.residuals) < max(4 * cloud.sigma, 0.4, 2 * OVAL * tube)
    if on.sum() < 40 or on.mean() < 0.6:
        return None
    return _Ring(radius, tube, points[keep][on], fit.residuals[on], fit.jacobian[on])


def _solved(corner: Corner, local: Array, radius: float, tube: float) -> Solution:
    def residuals(x: Array) -> Array:
        return corner.off(local, x[0]) - x[1]

    def jacobian(x: Array) -> Array:
        return np.column_stack([corner.by_radius(local, x[0]), -np.ones(len(local))])

    return solve(residuals, jacobian, [radius, tube], loss="tukey")


def _is_seen(cloud: Cloud, corner: Corner, ring: _Ring) -> bool:
    """Whether the thinned surface lies about most of the arc, from one end to the other, and round enough of it."""
    rows = cloud.tree.query_ball_point(corner.at, corner.back(ring.radius) + 2 * ring.tube, return_sorted=True)
    local = corner.local(cloud.surface.points[rows])
    on = corner.within(local, ring.radius)
    on &= np.abs(corner.off(local, ring.radius) - ring.tube) < band_of(cloud.surface, ring.tube)
    local = local[on]
    bins = max(4, round(ring.radius * corner.turn / 8.0))
    count = np.histogram(corner.angle(local, ring.radius), bins, (-corner.turn / 2, corner.turn / 2))[0]
    expect = 2 * np.pi * ring.tube * ring.radius * corner.turn / bins / cloud.surface.cell_area
    around = corner.section(local, ring.radius)
    return bool((count > 0.15 * expect).mean() >= SEEN) and len(around) > 0 and arc_of(around) >= LEAST_ARC


def _u_radius(ring: _Ring, lines: Array, lines_cov: Array, noise: NoiseModel) -> float:
    """Standard uncertainty of the bend radius, mm: of the points, of both straight pieces that it has to touch, and of
    the points' form beyond the noise, taken as one wave all through."""

    def residuals(x: Array) -> Array:
        corner = corner_of(x)
        return corner.off(corner.local(ring.points), ring.radius)

    g = inverse_normal(ring.jacobian)
    slope = np.column_stack([(residuals(lines + d) - residuals(lines - d)) / 2e-4 for d in 1e-4 * np.eye(12)])
    by_lines = (g @ ring.jacobian.T @ slope)[0]
    form = max(ring.rms**2 - noise.sigma_mm**2, 0.0) * len(ring.points) * g[0, 0]
    own = propagate(ring.jacobian, ring.points, noise)[0, 0]
    return float(np.sqrt(own + by_lines @ lines_cov @ by_lines + form))
