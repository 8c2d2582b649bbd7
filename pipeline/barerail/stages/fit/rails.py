"""Rails: straight segments that follow each other, measured at stations along them."""

from dataclasses import replace

import numpy as np

from barerail.forked import mapped
from barerail.geometry.covariance import propagate
from barerail.geometry.robust import median, tukey_weights
from barerail.records import Array, NoiseModel, Plane, Rail, Station
from barerail.settings import FitSettings
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.patches import Patch
from barerail.stages.fit.runs import chained, main_rails
from barerail.stages.fit.sections import FACES, Segment, segments_of

SAME_MM = 3.0
"""How far a width that is seen may differ from the chain's, for the other width to be the chain's, too (judgement)."""
UNLIKE = 1.4
"""By what factor a width must differ from the chain's for a station beside the line to be another thing's (judgement).
"""
UNSEEN_MM = 50.0
"""Standard uncertainty of what the seen faces leave open, mm."""
CHANNEL_OFF = 0.2
"""How far each face of a channel stands proud in a fused mesh, in voxels, one standard uncertainty: its walls are seen
from both sides, which push each other out (rms on simulated scans; a box's hold still)."""
EACH = 0.35
"""By how much of that the middle between two such faces is off (rms on simulated scans)."""


def rails_of(
    cloud: Cloud, patches: tuple[Patch, ...], planes: tuple[Plane, ...], noise: NoiseModel, settings: FitSettings
) -> tuple[Rail, ...]:
    """Rails as chains of stations: those at least half as long as the longest and running its way."""
    chains = chained(segments_of(cloud, patches, planes, settings.plane_min_cm2))
    rails = [_rail(chain, noise, settings, cloud.voxel_mm) for chain in chains]
    return main_rails([r for r in rails if len(r.stations) >= 3])


def _rail(chain: list[Segment], noise: NoiseModel, settings: FitSettings, voxel: float) -> Rail:
    chain = [s.named_as(chain[0]) for s in chain]
    step = settings.station_step_mm
    places = [(s, at) for s in _same_section(chain) for at in _places(s, step)]
    tried = mapped(lambda place: _station(*place, 0.8 * min(step / 2, 50.0), noise), places)
    stations = [s for s in tried if s is not None]
    kind = "channel" if sum(s.channel for s in chain) * 2 > len(chain) else "box"
    own = _own(_in_order(stations))
    if kind == "channel" and voxel:
        own = [_pushed_out(s, CHANNEL_OFF * voxel) for s in own]
    return Rail(kind, tuple(own), len(tried) - len(own))


def _places(segment: Segment, step: float) -> list[float]:
    """Where along a segment its stations lie, mm: in its middle, `step` apart, one at least."""
    low, high = segment.span
    count = max(int((high - low) // step), 1)
    first = (low + high - (count - 1) * step) / 2
    return [first + k * step for k in range(count)]


def _pushed_out(station: Station, off: float) -> Station:
    """A station each of whose faces stands out by `off` mm, alike: twice that in a size, and in a middle what the two
    faces differ by, or all of it where it rests on one."""
    middles = [EACH**2 if station.seen[2 * m] and station.seen[2 * m + 1] else 1.0 for m in (0, 1)]
    return replace(station, cov=station.cov + off**2 * np.diag([*middles, 0.0, 4.0, 4.0]))


def _same_section(chain: list[Segment]) -> list[Segment]:
    """The chain with a width that one segment doesn't show taken from the others, told apart by the width it shows."""
    whole = np.array([sorted(s.size) for s in chain if not np.isnan(s.size).any()])
    if not len(whole):
        return chain
    usual = np.median(whole, axis=0)
    return [replace(s, size=_completed(s.size, usual)) for s in chain]


def _completed(size: tuple[float, float], usual: Array) -> tuple[float, float]:
    if np.isnan(size).sum() != 1:
        return size
    seen = int(np.isnan(size[0]))
    if np.abs(usual - size[seen]).min() > SAME_MM:
        return size
    other = float(usual[1 - int(np.argmin(np.abs(usual - size[seen])))])
    return (size[0], other) if seen == 0 else (other, size[1])


def _in_order(stations: list[Station]) -> list[Station]:
    if not stations:
        return []
    centres = np.array([s.centre for s in stations])
    d = centres - centres.mean(0)
    way = np.linalg.eigh(d.T @ d)[1][:, 2]
    way *= np.copysign(1.0, way[np.argmax(np.abs(way))])
    return [stations[i] for i in np.argsort(d @ way, kind="stable")]


def _own(stations: list[Station]) -> list[Station]:
    """Those in order without what stands beside the line: of another section, and over half of it off the lines of the
    nearest stations of the usual one, before and after it."""
    sizes = np.array([np.sort(s.size) for s in stations]).reshape(-1, 2)
    whole = ~np.isnan(sizes).any(axis=1)
    if whole.sum() < 3:
        return stations
    factor = np.exp(np.abs(np.log(sizes / np.median(sizes[whole], axis=0))).max(axis=1))
    usual = np.flatnonzero(~(whole & (factor > UNLIKE)))
    kept = []
    for i, s in enumerate(stations):
        next_to = [stations[k] for k in (*usual[usual < i][-1:], *usual[usual > i][:1])]
        beside = len(next_to) == 2 and min(_off_line(s, other) for other in next_to) > sizes[i, 1] / 2
        if i in usual or not beside:
            kept.append(s)
    return kept


def _off_line(s: Station, other: Station) -> float:
    """How far off the line of another station s lies, mm."""
    d = s.centre - other.centre
    return float(np.linalg.norm(d - (d @ other.axes[0]) * other.axes[0]))


def _station(segment: Segment, at: float, half: float, noise: NoiseModel, least: int = 40) -> Station | None:
    """One section by robust linear least squares of its faces' offsets, roll and slopes; None with too little seen."""
    rows, jacobian, target = [], [], []
    seen = []
    centre = segment.origin + at * segment.axes[0]
    for k, face in enumerate(segment.faces):
        slab = _slab(face, segment, at, half)
        seen.append(len(slab) >= least)
        if seen[k]:
            local = (slab - centre) @ segment.axes.T
            rows.append(slab)
            jacobian.append(_rows(local, k))
            target.append(local[:, FACES[k][0]])
    if not any(seen[:2]) or not any(seen[2:]):
        return None
    columns = [k for k in range(4) if seen[k]] + [4, 5, 6]
    j, y = np.concatenate(jacobian)[:, columns], np.concatenate(target)
    x, weight = _solve(j, y)
    keep = weight > 0.1
    cov = propagate(j[keep], np.concatenate(rows)[keep], noise, limit=300)
    full, spread = np.full(7, np.nan), np.zeros((7, 7))
    full[columns], spread[np.ix_(columns, columns)] = x, cov
    r = (y - j @ x)[keep]
    return _assembled(segment, centre, full, spread, seen, int(keep.sum()), float(np.sqrt((r**2).mean())))


def _slab(face: Array | None, segment: Segment, at: float, half: float) -> Array:
    if face is None:
        return np.zeros((0, 3))
    along = (face - segment.origin) @ segment.axes[0]
    slab = face[np.abs(along - at) < half]
    return slab[:: max(1, len(slab) // 800)]


def _rows(local: Array, k: int) -> Array:
    """Jacobian rows of points on face k: four offsets, roll, slopes of b and of c along the rail."""
    out = np.zeros((len(local), 7))
    out[:, k] = 1.0
    if k < 2:
        out[:, 4], out[:, 5] = -local[:, 2], local[:, 0]
    else:
        out[:, 4], out[:, 6] = local[:, 1], local[:, 0]
    return out


def _solve(j: Array, y: Array) -> tuple[Array, Array]:
    weight = np.ones(len(y))
    for _ in range(8):
        wj = weight[:, None] * j
        x = np.linalg.solve(j.T @ wj, wj.T @ y)
        r = y - j @ x
        scale = max(1.4826 * median(np.abs(r)), 1e-9)
        weight = tukey_weights(r, 4.685, scale)
    return np.asarray(x, float), weight


def _assembled(segment: Segment, centre: Array, x: Array, cov: Array, seen: list[bool], n: int, rms: float) -> Station:
    """Station from face offsets: a centre is half-way between two faces, or half the known size from one."""
    to = np.zeros((5, 7))
    extra = np.zeros(5)
    value, size = np.zeros(2), []
    for m in (0, 1):
        high, low, known = x[2 * m], x[2 * m + 1], segment.size[m]
        if seen[2 * m] and seen[2 * m + 1]:
            value[m], width = (high + low) / 2, high - low
            to[m, 2 * m : 2 * m + 2] = 0.5
            to[3 + m, 2 * m], to[3 + m, 2 * m + 1] = 1.0, -1.0
        else:
            k = 2 * m + int(seen[2 * m + 1])
            width = float("nan")
            value[m] = x[k] - FACES[k][1] * (0.0 if np.isnan(known) else known / 2)
            to[m, k] = 1.0
            extra[m] = UNSEEN_MM**2 if np.isnan(known) else 0.5**2
            extra[3 + m] = UNSEEN_MM**2
        size.append(float(width))
    # The middle lies along the section as it is rolled here, not as the segment's faces lie on the mean.
    to[0, 4], to[1, 4], to[2, 4] = -value[1], value[0], 1.0
    roll = float(x[4])
    turned = segment.axes.copy()
    turned[1] = segment.axes[1] + roll * segment.axes[2]
    turned[1] /= np.linalg.norm(turned[1])
    turned[2] = np.cross(turned[0], turned[1])
    at = centre + value @ turned[1:]
    flags = (seen[0], seen[1], seen[2], seen[3])
    return Station(at, turned, (size[0], size[1]), to @ cov @ to.T + np.diag(extra), flags, n, rms)
