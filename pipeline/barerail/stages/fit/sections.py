"""Sections: straight lengths of box or channel, from the edges along which flat faces meet square."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from barerail.forked import mapped
from barerail.geometry.neighbours import components
from barerail.records import Array, Plane
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.patches import Patch

LEAST_MM = 130.0
"""Shortest edge that counts, mm."""
SECTION_MM = (18.0, 300.0)
CORNER_MM = 25.0
QUARTERS = np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])
ORDER = ((0, 1, 2, 3), (2, 3, 1, 0), (1, 0, 3, 2), (3, 2, 0, 1))
"""b (1, 2) after so many quarter turns, in the old b and c, and which of FACES then come first."""
FACES = ((1, 1.0), (1, -1.0), (2, 1.0), (2, -1.0))
"""Row of Segment.axes and sign of the faces +b, -b, +c, -c."""
LEVEL_MM = 2.0
"""How far apart two faces of one side may lie where they meet, mm (judgement)."""
SAME_WAY = np.cos(np.radians(3.0))


@dataclass(frozen=True)
class Edge:
    """Where two faces meet: their indices, the unit direction of the edge, and a point (2, 3) near either end of it."""

    faces: tuple[int, int]
    way: Array
    ends: Array

    @property
    def length(self) -> float:
        return float((self.ends[1] - self.ends[0]) @ self.way)


@dataclass(frozen=True)
class Segment:
    """A straight length of one rail: axes rows along, b, c; for each of FACES full-resolution points (n, 3) there.

    span: along `along` from origin, mm. size: outside widths along b and c, nan where a face wasn't seen.
    """

    origin: Array
    axes: Array
    faces: tuple[Array | None, ...]
    span: tuple[float, float]
    size: tuple[float, float]
    channel: bool

    @property
    def ends(self) -> Array:
        """Middle of the section at both ends (2, 3)."""
        return np.array([self.origin + s * self.axes[0] for s in self.span])

    def named_as(self, other: "Segment") -> "Segment":
        """The same with axes that run as another's do: turned end for end, and by quarters about `along`."""
        if self.axes[0] @ other.axes[0] < 0:
            faces = tuple(self.faces[k] for k in (0, 1, 3, 2))
            span = -self.span[1], -self.span[0]
            return replace(self, axes=self.axes * [[-1], [1], [-1]], faces=faces, span=span).named_as(other)
        turn = max(range(4), key=lambda k: float(QUARTERS[k] @ self.axes[1:] @ other.axes[1]))
        axes = np.vstack([self.axes[0], np.roll(QUARTERS, -turn, axis=0)[:2] @ self.axes[1:]])
        size = self.size if turn % 2 == 0 else (self.size[1], self.size[0])
        return replace(self, axes=axes, faces=tuple(self.faces[k] for k in ORDER[turn]), size=size)


def segments_of(cloud: Cloud, patches: tuple[Patch, ...], planes: tuple[Plane, ...], face_cm2: float) -> list[Segment]:
    """All straight lengths of box and channel section with faces of at least face_cm2, longest first."""
    edges = _edges(cloud, patches, planes, face_cm2)
    found = [s for group in _groups(edges) if (s := _segment(cloud, patches, planes, group)) is not None]
    return sorted(found, key=lambda s: s.span[0] - s.span[1])


def _edges(cloud: Cloud, patches: tuple[Patch, ...], planes: tuple[Plane, ...], face_cm2: float) -> list[Edge]:
    big = [i for i, p in enumerate(planes) if p.extent[0] > LEAST_MM and p.area_mm2 > 100 * face_cm2]
    points = {i: cloud.surface.points[patches[i].grown] for i in big}
    trees = {i: cKDTree(points[i]) for i in big}
    low, high = {i: points[i].min(0) - CORNER_MM for i in big}, {i: points[i].max(0) for i in big}
    pairs = [
        (i, j)
        for i, j in combinations(big, 2)
        if abs(planes[i].normal @ planes[j].normal) < 0.26 and (low[i] < high[j]).all() and (low[j] < high[i]).all()
    ]
    return [edge for edge in mapped(lambda pair: _edge(*pair, planes, trees), pairs) if edge is not None]


def _edge(i: int, j: int, planes: tuple[Plane, ...], trees: Mapping[int, cKDTree]) -> Edge | None:
    small, big = (i, j) if trees[i].n < trees[j].n else (j, i)
    points, tree = np.asarray(trees[small].data), trees[big]
    points = points[((points > tree.mins - CORNER_MM) & (points < tree.maxes + CORNER_MM)).all(axis=1)]
    points = points[np.isfinite(tree.query(points, distance_upper_bound=CORNER_MM)[0])]
    if len(points) < 10:
        return None
    way = np.cross(planes[i].normal, planes[j].normal)
    way /= np.linalg.norm(way)
    way *= np.copysign(1.0, way[np.argmax(np.abs(way))])
    along = (points - points.mean(axis=0)) @ way
    order = np.argsort(along, kind="stable")
    runs = np.split(order, np.flatnonzero(np.diff(along[order]) > 80.0) + 1)
    longest = max(runs, key=lambda r: along[r[-1]] - along[r[0]])
    edge = Edge((i, j), way, points[longest[[0, -1]]])
    return edge if edge.length > LEAST_MM else None


def _groups(edges: list[Edge]) -> list[list[Edge]]:
    """Edges of one section: they share a face, run the same way and lie side by side."""
    first, second = [], []
    for a, e in enumerate(edges):
        for b in range(a + 1, len(edges)):
            f = edges[b]
            if _beside(e, f) and set(e.faces) & set(f.faces) and e.way @ f.way > SAME_WAY:
                first.append(a)
                second.append(b)
    label = components(len(edges), np.array(first, np.int64), np.array(second, np.int64))
    return [[edges[k] for k in np.flatnonzero(label == g)] for g in range(label.max() + 1)] if edges else []


def _beside(e: Edge, f: Edge) -> bool:
    """Whether two edges run side by side for half of LEAST_MM."""
    low, high = (f.ends - e.ends[0]) @ e.way
    return min(e.length, high) - max(0.0, low) > 0.5 * LEAST_MM


def _segment(cloud: Cloud, patches: tuple[Patch, ...], planes: tuple[Plane, ...], edges: list[Edge]) -> Segment | None:
    """Section axes and the points of each seen face; None where no two faces look opposite ways, or none is square."""
    along = np.sum([e.way * e.length for e in edges], axis=0)
    along /= np.linalg.norm(along)
    group = sorted({i for e in edges for i in e.faces})
    lead = max(group, key=lambda i: planes[i].area_mm2)
    b = planes[lead].normal - (planes[lead].normal @ along) * along
    b /= np.linalg.norm(b)
    axes = np.array([along, b, np.cross(along, b)])
    chosen = [_outermost(planes, group, axes[row] * sign, along) for row, sign in FACES]
    chosen = _without_insides(planes, chosen, axes)
    if not any(chosen[:2]) or not any(chosen[2:]):
        return None
    size = tuple(_size(planes, chosen[k], chosen[k + 1], axes[1 + k // 2]) for k in (0, 2))
    if np.isnan(size).all():
        return None
    ends = np.concatenate([e.ends for e in edges])
    centre = ends.mean(axis=0)
    middle = np.array([_between(planes, chosen[k], chosen[k + 1], axes[1 + k // 2], centre) for k in (0, 2)])
    origin = centre + middle[0] * axes[1] + middle[1] * axes[2]
    reach = (ends - centre) @ along
    span = (float(reach.min()), float(reach.max()))
    faces = tuple(_face(cloud, patches, c, axes, origin, span, size, k) for k, c in enumerate(chosen))
    return Segment(origin, axes, faces, span, (size[0], size[1]), _is_channel(planes, group, chosen, axes))


def _outermost(planes: tuple[Plane, ...], group: list[int], way: Array, along: Array) -> list[int]:
    """The faces that look one way and lie furthest out that way, small ones aside: the lead, and what carries it on."""
    facing = [i for i in group if planes[i].normal @ way > 0.95]
    if not facing:
        return []
    most = max(planes[i].area_mm2 for i in facing)
    chosen = [max((i for i in facing if planes[i].area_mm2 > 0.25 * most), key=lambda i: float(planes[i].centre @ way))]
    for one in chosen:
        chosen += [i for i in facing if i not in chosen and _carries_on(planes[one], planes[i], along)]
    return sorted(chosen)


def _carries_on(one: Plane, other: Plane, along: Array) -> bool:
    """Whether two faces lie in one plane where they meet or lie side by side: the pieces of a bowed rail's side do, a
    doubler doesn't."""
    (low, high), (low_, high_) = _span(one, along), _span(other, along)
    middle = (one.centre + other.centre) / 2
    meet = middle + ((max(low, low_) + min(high, high_)) / 2 - middle @ along) * along
    return bool(abs(one.normal @ (meet - one.centre) - other.normal @ (meet - other.centre)) < LEVEL_MM)


def _span(face: Plane, along: Array) -> tuple[float, float]:
    """From where to where a face goes along a direction, mm."""
    at, half = float(face.centre @ along), float(np.abs(face.axes[:2] @ along) @ np.array(face.extent)) / 2
    return at - half, at + half


def _without_insides(planes: tuple[Plane, ...], chosen: list[list[int]], axes: Array) -> list[list[int]]:
    """Of the two faces of one wall, the one that looks towards the rest of the section is its inside, and goes."""
    for k in (0, 2):
        way = axes[1 + k // 2]
        size = _size(planes, chosen[k], chosen[k + 1], way)
        if not np.isnan(size) and not SECTION_MM[0] < size < SECTION_MM[1]:
            flanges = _offset(planes, chosen[2 - k] + chosen[3 - k], way, planes[chosen[k][0]].centre)
            chosen[k if flanges > 0 else k + 1] = []
    return chosen


def _offset(planes: tuple[Plane, ...], chosen: list[int], way: Array, zero: Array) -> float:
    """Mean distance along `way` of faces from `zero`, mm; nan for none."""
    return float(np.mean([(planes[i].centre - zero) @ way for i in chosen])) if chosen else float("nan")


def _size(planes: tuple[Plane, ...], high: list[int], low: list[int], way: Array) -> float:
    zero = planes[(high or low or [0])[0]].centre
    return _offset(planes, high, way, zero) - _offset(planes, low, way, zero)


def _between(planes: tuple[Plane, ...], high: list[int], low: list[int], way: Array, zero: Array) -> float:
    """Half-way between two faces, or on the one that was seen, from `zero`."""
    return float(np.nanmean([_offset(planes, high, way, zero), _offset(planes, low, way, zero)]))


def _is_channel(planes: tuple[Plane, ...], group: list[int], chosen: list[list[int]], axes: Array) -> bool:
    """True where one side is open and the long inside of the opposite wall is seen."""
    for k, (row, sign) in enumerate(FACES):
        other = chosen[k + 1 - 2 * (k % 2)]
        if chosen[k] or not other:
            continue
        way, long = axes[row] * sign, 0.4 * planes[other[0]].extent[0]
        if any(planes[i].normal @ way > 0.95 and planes[i].extent[0] > long for i in group):
            return True
    return False


def _face(
    cloud: Cloud,
    patches: tuple[Patch, ...],
    chosen: list[int],
    axes: Array,
    origin: Array,
    span: tuple[float, float],
    size: tuple[float, ...],
    k: int,
) -> Array | None:
    """Full-resolution points of one side of a segment, those of the same planes elsewhere left out."""
    if not chosen:
        return None
    points = np.concatenate([cloud.points(patches[i].core) for i in chosen])
    local = (points - origin) @ axes.T
    across = 1 - k // 2
    half = size[across] / 2 if not np.isnan(size[across]) else SECTION_MM[1]
    inside = (local[:, 0] > span[0]) & (local[:, 0] < span[1]) & (np.abs(local[:, 1 + across]) < half + 3.0)
    return points[inside]
