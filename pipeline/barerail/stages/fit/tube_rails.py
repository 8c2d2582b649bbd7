"""Rails of round tubes: long tubes followed station by station, through nodes and welds, and where they are bowed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.frames import basis, unit
from barerail.records import Array, Frozen, Index, NoiseModel, Note, Rail, Station
from barerail.settings import FitSettings
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import LEAST_ARC, arc_of, band_of, on_cylinder
from barerail.stages.fit.fused_round import fused_cov
from barerail.stages.fit.runs import main_rails
from barerail.stages.fit.tubes import facing

LONG_MM, LONG_DIAMETERS = 600.0, 12.0
"""Least length of a tube that can be a rail (judgement)."""
ASIDE_MM = 12.0
"""How far the centreline may leave the straight line it starts on, mm (judgement)."""
BRIDGED_MM = 450.0
"""Longest stretch without a station that a tube is followed across, mm."""
SAME_SIZE = 0.03
"""How far a station's radius may lie off the tube's, as a share (judgement)."""
FEWEST, NORMAL_MEDIAN = 20, 0.6745
"""Fewest differences that tell how far centres scatter; median of the size of a standard normal number."""
LEAST, MOST = 40, 800
"""Fewest points a station may rest on, and the most that are fitted."""


@dataclass(frozen=True, eq=False)
class Section(Frozen):
    """A short cylinder of a tube: its fit, the points (n, 3) in the fit's axes about its point, and which lie on it."""

    fit: CylinderFit
    local: Array
    on: NDArray[np.bool_]


def tube_rails(
    cloud: Cloud, starts: Sequence[CylinderFit], noise: NoiseModel, settings: FitSettings
) -> tuple[tuple[Rail, ...], tuple[Note, ...]]:
    """Tubes of LONG_MM and LONG_DIAMETERS or more, as rails that run one way, at least half as long as the longest.

    cloud: its curved part alone. starts: a cylinder on each tube. Which of them are the frame's two rails is told by
    left, right and low, which scan axes don't have.
    """
    found: list[Rail] = []
    for start in starts:
        if not any(_holds(rail, start) for rail in found):
            rail = _followed(cloud, start, noise, settings.station_step_mm)
            found += [rail] if rail is not None else []
    rails = _as_scattered(main_rails(found))
    dropped = sum(r.dropped for r in rails)
    said = [
        ("long round tubes that can be rails: no two long box or channel rails lie side by side", len(rails)),
        ("tube rail stations dropped: too little of the round surface seen", dropped),
    ]
    return rails, tuple(Note("fit", text, count) for text, count in said if count)


def _holds(rail: Rail, start: CylinderFit) -> bool:
    """Whether a start lies on a tube that was followed already."""
    off = start.point - np.array([s.centre for s in rail.stations])
    near = int(np.argmin(np.linalg.norm(off, axis=1)))
    across = np.linalg.norm(np.cross(off[near], rail.stations[near].axes[0]))
    return bool(across < start.radius and np.linalg.norm(off[near]) < BRIDGED_MM)


def _followed(cloud: Cloud, start: CylinderFit, noise: NoiseModel, step: float) -> Rail | None:
    """The tube that a start lies on, followed both ways; None where it is short, or the inside of one."""
    surface = cloud.surface
    beside = surface.blocks.cells.mean - start.point
    across = np.linalg.norm(beside - np.outer(beside @ start.axis, start.axis), axis=1)
    rows = surface.blocks.within(across, start.radius + ASIDE_MM)
    least = max(LONG_MM, LONG_DIAMETERS * 2 * start.radius)
    if not len(rows) or np.ptp(surface.points[rows] @ start.axis) < least or facing(surface, start) < 0:
        return None
    middle = _section(cloud, rows, start.axis, start.point, start.radius, 0.4 * step)
    if middle is None:
        return None
    ahead, behind = (_march(cloud, rows, middle.fit, k * step) for k in (1, -1))
    found = [*behind[::-1], middle, *ahead]
    radius = float(np.median([s.fit.radius for s in found]))
    found = [s for s in found if abs(s.fit.radius - radius) < SAME_SIZE * radius]
    length = float(np.linalg.norm(found[-1].fit.point - found[0].fit.point)) if found else 0.0
    if len(found) < 3 or length + 0.8 * step < least:
        return None
    return Rail("tube", _stations(found, cloud, noise), max(round(length / step) + 1 - len(found), 0))


def _march(cloud: Cloud, rows: Index, first: CylinderFit, step: float) -> list[Section]:
    """Sections every `step` mm from the first one on, its sign the way, until too long a stretch shows none."""
    found: list[Section] = []
    at, axis, missed = first.point, first.axis, 0
    while (missed + 1) * abs(step) <= BRIDGED_MM:
        section = _section(cloud, rows, axis, at + (missed + 1) * step * axis, first.radius, 0.4 * abs(step))
        missed = 0 if section is not None else missed + 1
        if section is not None:
            found.append(section)
            back = found[-4].fit.point if len(found) > 3 else first.point
            at, axis = section.fit.point, unit(section.fit.point - back) * np.sign(step)
    return found


def _section(cloud: Cloud, rows: Index, axis: Array, at: Array, radius: float, half: float) -> Section | None:
    """A cylinder through the tube's points within `half` mm of a place; None with too little of it seen."""
    surface, point = cloud.surface, at
    slab = rows[np.abs((surface.points[rows] - at) @ axis) < half]
    for _ in range(2):
        points = cloud.points(slab[on_cylinder(surface, slab, axis, point, radius)])
        if len(points) < LEAST:
            return None
        points = points[:: max(1, len(points) // MOST)]
        try:
            fit = fit_cylinder(points, axis, point, radius, robust=True)
        except DataError:
            return None
        axis, point = fit.axis * np.sign(fit.axis @ axis), fit.point
    section = Section(fit, (points - fit.point) @ fit.axes.T, np.abs(fit.residuals) < max(4 * cloud.sigma, 0.4))
    return section if _holds_up(cloud, section, radius) else None


def _holds_up(cloud: Cloud, s: Section, radius: float) -> bool:
    """Whether enough of a round surface of about this radius was seen, and little else."""
    if s.on.mean() < 0.6 or s.on.sum() < LEAST or abs(s.fit.radius - radius) > 2 * SAME_SIZE * radius:
        return False
    flank = float(np.degrees(np.arccos(1 - band_of(cloud.surface, s.fit.radius) / s.fit.radius)))
    return arc_of(s.local[s.on, :2]) >= LEAST_ARC + 2 * flank and _rms(s) < cloud.roughest(1.3)


def _rms(s: Section) -> float:
    return float(np.sqrt((s.fit.residuals[s.on] ** 2).mean()))


def _stations(found: list[Section], cloud: Cloud, noise: NoiseModel) -> tuple[Station, ...]:
    """A station a section, running the way its neighbours lie; b and c are directions across, no faces."""
    points = np.array([s.fit.point for s in found])
    ways = np.array([unit(points[min(i + 1, len(points) - 1)] - points[max(i - 1, 0)]) for i in range(len(points))])
    way = points[-1] - points[0]
    ways *= np.copysign(1.0, way[np.argmax(np.abs(way))])
    across = basis(ways[0])[0]
    stations = [_station(s, np.array([w, across, np.zeros(3)]), cloud, noise) for s, w in zip(found, ways)]
    return tuple(stations if way @ ways[0] > 0 else stations[::-1])


def _station(s: Section, axes: Array, cloud: Cloud, noise: NoiseModel) -> Station:
    """The centre and the outside diameter of one section; its roll, which a round tube doesn't show, is nan."""
    axes[1] = unit(axes[1] - (axes[1] @ axes[0]) * axes[0])
    axes[2] = np.cross(axes[0], axes[1])
    cov = propagate(s.fit.jacobian[s.on], s.local[s.on], noise, limit=300) + fused_cov(cloud.voxel_mm, s.fit.radius)
    to = np.zeros((5, 5))
    to[:2, :2] = axes[1:] @ s.fit.axes[:2].T
    to[3:, 4] = 2.0
    spread = to @ cov @ to.T
    spread[2, :] = spread[:, 2] = np.nan
    size = 2 * s.fit.radius
    return Station(s.fit.point, axes, (size, size), spread, (True,) * 4, int(s.on.sum()), _rms(s))


def _as_scattered(rails: tuple[Rail, ...]) -> tuple[Rail, ...]:
    """The rails with their stations' covariances raised where the centres scatter more than those say.

    Birge ratio (Birge 1932, Phys. Rev. 40:207) from the median of third differences, in which a bow and a bend at a
    node have no say. A tube's own form, and what is welded to it, are no noise.
    """
    off = np.concatenate([_differences(r) for r in rails] or [np.zeros(0)])
    if len(off) < FEWEST:
        return rails
    ratio = max(1.0, float(np.median(off)) / NORMAL_MEDIAN)
    return tuple(replace(r, stations=tuple(replace(s, cov=ratio**2 * s.cov) for s in r.stations)) for r in rails)


def _differences(rail: Rail) -> Array:
    """Third divided differences of the centres, both ways across: size (k,) in their standard uncertainties."""
    axes = rail.stations[0].axes
    at = np.array([axes @ s.centre for s in rail.stations])
    var = np.array([np.diag(s.cov)[:2] for s in rail.stations])
    out = []
    for i in range(len(at) - 3):
        x = at[i : i + 4, 0]
        share = 1 / np.prod(x[:, None] - x + np.eye(4), axis=1)
        out.append(np.abs(share @ at[i : i + 4, 1:]) / np.sqrt(share**2 @ var[i : i + 4]))
    return np.array(out).ravel()
