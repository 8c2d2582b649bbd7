"""Rails: long flat faces that meet along their edges make a section; stations measure it along the rail."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.covariance import propagate
from barerail.geometry.neighbours import components
from barerail.geometry.robust import tukey_weights
from barerail.records import Array, Index, NoiseModel, Plane, Rail, Station
from barerail.settings import FitSettings
from barerail.stages.fit.bores import Cloud
from barerail.stages.fit.patches import Patch

LONG_MM = 250.0
WIDE_MM = (15.0, 280.0)
SECTION_MM = (18.0, 300.0)
CORNER_MM = 25.0
FACES = ((1, 1.0), (1, -1.0), (2, 1.0), (2, -1.0))
"""Row of Station.axes and sign of the faces +b, -b, +c, -c."""
UNSEEN_MM = 50.0


@dataclass(frozen=True)
class Segment:
    """A straight length of one rail: axes rows along, b, c; for each of FACES full-resolution points (n, 3) there."""

    origin: Array
    axes: Array
    faces: tuple[Array | None, ...]
    span: tuple[float, float]
    size: tuple[float, float]
    channel: bool


def rails_of(
    cloud: Cloud, patches: tuple[Patch, ...], planes: tuple[Plane, ...], noise: NoiseModel, settings: FitSettings
) -> tuple[Rail, ...]:
    """Rails as chains of stations: those at least half as long as the longest and running its way."""
    long = [i for i, p in enumerate(planes) if p.extent[0] > LONG_MM and WIDE_MM[0] < p.extent[1] < WIDE_MM[1]]
    groups = _sections(cloud, patches, planes, long)
    segments = [s for g in groups if (s := _segment(cloud, patches, planes, g)) is not None]
    rails = [_rail(chain, noise, settings) for chain in _chains(segments)]
    return _main([r for r in rails if len(r.stations) >= 3])


def _sections(
    cloud: Cloud, patches: tuple[Patch, ...], planes: tuple[Plane, ...], long: list[int]
) -> list[list[int]]:
    """Groups of long faces joined where two run the same way, stand square to each other and share an edge."""
    trees = {i: cKDTree(cloud.surface.points[patches[i].grown]) for i in long}
    first, second = [], []
    for a, i in enumerate(long):
        for b in range(a + 1, len(long)):
            if _share_edge(planes[i], planes[long[b]], trees[i], trees[long[b]]):
                first.append(a)
                second.append(b)
    label = components(len(long), np.array(first, np.int64), np.array(second, np.int64))
    return [[long[k] for k in np.flatnonzero(label == g)] for g in range(label.max() + 1)] if long else []


def _share_edge(p: Plane, q: Plane, tree_p: cKDTree, tree_q: cKDTree) -> bool:
    if abs(p.normal @ q.normal) > 0.26 or abs(p.axes[0] @ q.axes[0]) < np.cos(np.radians(4)):
        return False
    small, big = (tree_p, tree_q) if tree_p.n < tree_q.n else (tree_q, tree_p)
    distance = big.query(small.data, distance_upper_bound=CORNER_MM)[0]
    near = np.isfinite(distance)
    if near.sum() < 10:
        return False
    return float(np.ptp(small.data[near] @ p.axes[0])) > 0.4 * min(p.extent[0], q.extent[0])


def _segment(
    cloud: Cloud, patches: tuple[Patch, ...], planes: tuple[Plane, ...], group: list[int]
) -> Segment | None:
    """Section axes and the points of each seen face; None for fewer than two faces square to each other."""
    lead = max(group, key=lambda i: planes[i].area_mm2)
    weight = [planes[i].area_mm2 * np.sign(planes[i].axes[0] @ planes[lead].axes[0]) for i in group]
    along = np.einsum("i,ij->j", weight, np.array([planes[i].axes[0] for i in group]))
    along /= np.linalg.norm(along)
    b = planes[lead].normal - (planes[lead].normal @ along) * along
    b /= np.linalg.norm(b)
    axes = np.array([along, b, np.cross(along, b)])
    chosen = [_outermost(planes, group, axes[row] * sign) for row, sign in FACES]
    chosen = _without_insides(planes, chosen, axes)
    if not any(chosen[:2]) or not any(chosen[2:]):
        return None
    origin = planes[lead].centre
    faces = tuple(_points(cloud, patches, c) if c else None for c in chosen)
    reach = np.concatenate([(f - origin) @ along for f in faces if f is not None])
    size = tuple(_size(planes, chosen[k], chosen[k + 1], axes[1 + k // 2]) for k in (0, 2))
    channel = _is_channel(planes, group, chosen, axes)
    span = (float(np.quantile(reach, 0.002)), float(np.quantile(reach, 0.998)))
    return Segment(origin, axes, faces, span, (size[0], size[1]), channel)


def _outermost(planes: tuple[Plane, ...], group: list[int], way: Array) -> list[int]:
    """The faces that look one way and lie in one plane, the largest area deciding which."""
    facing = [i for i in group if planes[i].normal @ way > 0.95]
    if not facing:
        return []
    lead = max(facing, key=lambda i: planes[i].area_mm2)
    return [i for i in facing if abs(planes[lead].normal @ (planes[i].centre - planes[lead].centre)) < 2.0]


def _without_insides(planes: tuple[Plane, ...], chosen: list[list[int]], axes: Array) -> list[list[int]]:
    """Of two faces looking opposite ways with no section between them, one is the inside of the other's wall."""
    for k in (0, 2):
        size = _size(planes, chosen[k], chosen[k + 1], axes[1 + k // 2])
        if not np.isnan(size) and not SECTION_MM[0] < size < SECTION_MM[1]:
            area = [sum(planes[i].area_mm2 for i in chosen[m]) for m in (k, k + 1)]
            chosen[k + int(np.argmin(area))] = []
    return chosen


def _size(planes: tuple[Plane, ...], high: list[int], low: list[int], way: Array) -> float:
    if not high or not low:
        return float("nan")
    return float(np.mean([planes[i].centre @ way for i in high]) - np.mean([planes[i].centre @ way for i in low]))


def _is_channel(planes: tuple[Plane, ...], group: list[int], chosen: list[list[int]], axes: Array) -> bool:
    """True where one side is open and the long inside of the opposite wall is seen."""
    for k, (row, sign) in enumerate(FACES):
        other = chosen[k + 1 - 2 * (k % 2)]
        if chosen[k] or not other:
            continue
        inside = [
            i
            for i in group
            if planes[i].normal @ (axes[row] * sign) > 0.95 and planes[i].extent[0] > 0.5 * planes[other[0]].extent[0]
        ]
        if inside:
            return True
    return False


def _points(cloud: Cloud, patches: tuple[Patch, ...], chosen: list[int]) -> Array:
    return np.concatenate([cloud.points(patches[i].core) for i in chosen])


def _rail(chain: list[Segment], noise: NoiseModel, settings: FitSettings) -> Rail:
    stations, dropped = [], 0
    for segment in chain:
        low, high = segment.span
        half = min(settings.station_step_mm / 2, 50.0)
        count = max(int((high - low) // settings.station_step_mm), 1)
        first = (low + high - (count - 1) * settings.station_step_mm) / 2
        for k in range(count):
            station = _station(segment, first + k * settings.station_step_mm, 0.8 * half, noise)
            dropped += station is None
            stations += [station] if station is not None else []
    kind = "channel" if sum(s.channel for s in chain) * 2 > len(chain) else "box"
    return Rail(kind, tuple(_in_order(stations)), dropped)


def _in_order(stations: list[Station]) -> list[Station]:
    if not stations:
        return []
    centres = np.array([s.centre for s in stations])
    d = centres - centres.mean(0)
    way = np.linalg.eigh(d.T @ d)[1][:, 2]
    way *= np.copysign(1.0, way[np.argmax(np.abs(way))])
    return [stations[i] for i in np.argsort(d @ way, kind="stable")]


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
    cov = propagate(j[keep], np.concatenate(rows)[keep], noise, limit=500)
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
        x = np.linalg.lstsq(j * np.sqrt(weight)[:, None], y * np.sqrt(weight), rcond=None)[0]
        r = y - j @ x
        scale = max(1.4826 * float(np.median(np.abs(r))), 1e-9)
        weight = tukey_weights(r, 4.685, scale)
    return np.asarray(x, float), weight


def _assembled(
    segment: Segment, centre: Array, x: Array, cov: Array, seen: list[bool], n: int, rms: float
) -> Station:
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
    to[2, 4] = 1.0
    roll = float(x[4])
    turned = segment.axes.copy()
    turned[1] = segment.axes[1] + roll * segment.axes[2]
    turned[1] /= np.linalg.norm(turned[1])
    turned[2] = np.cross(turned[0], turned[1])
    at = centre + value[0] * segment.axes[1] + value[1] * segment.axes[2]
    flags = (seen[0], seen[1], seen[2], seen[3])
    return Station(at, turned, (size[0], size[1]), to @ cov @ to.T + np.diag(extra), flags, n, rms)


def _chains(segments: list[Segment], reach: float = 350.0) -> list[list[Segment]]:
    """Segments that follow each other end to end, as a kicked-up rail does."""
    ends = [np.array([_middle(s, s.span[0]), _middle(s, s.span[1])]) for s in segments]
    first, second = [], []
    for i in range(len(segments)):
        for j in range(i + 1, len(segments)):
            gap = np.linalg.norm(ends[i][:, None] - ends[j][None], axis=2).min()
            bend = abs(segments[i].axes[0] @ segments[j].axes[0])
            if gap < reach and bend > np.cos(np.radians(40)):
                first.append(i)
                second.append(j)
    label = components(len(segments), np.array(first, np.int64), np.array(second, np.int64))
    return [[segments[i] for i in np.flatnonzero(label == k)] for k in range(label.max() + 1)] if segments else []


def _middle(segment: Segment, at: float) -> Array:
    """Centre of the section at a place along the segment."""
    place: Index | Array = segment.origin + at * segment.axes[0]
    for row in (1, 2):
        offsets = [
            (float(np.median((f - segment.origin) @ segment.axes[row])), FACES[k][1])
            for k, f in enumerate(segment.faces)
            if f is not None and FACES[k][0] == row
        ]
        size = segment.size[row - 1]
        middle = np.mean([o for o, _ in offsets])
        if len(offsets) == 1 and not np.isnan(size):
            middle -= offsets[0][1] * size / 2
        place = place + middle * segment.axes[row]
    return np.asarray(place, float)


def _main(rails: list[Rail]) -> tuple[Rail, ...]:
    if not rails:
        return ()
    length = [float(np.linalg.norm(r.stations[-1].centre - r.stations[0].centre)) for r in rails]
    longest = rails[int(np.argmax(length))]
    way = longest.stations[-1].centre - longest.stations[0].centre
    way /= np.linalg.norm(way)
    kept = []
    for rail, reach in zip(rails, length, strict=True):
        run = (rail.stations[-1].centre - rail.stations[0].centre) / max(reach, 1e-9)
        if reach >= 0.5 * max(length) and abs(run @ way) > np.cos(np.radians(30)):
            kept.append(rail)
    return tuple(sorted(kept, key=lambda r: (-len(r.stations), *r.stations[0].centre)))
