"""Left/right partners: by kind, size, axis and mirrored place, the best for all together, never a guess."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.matching import Links, ambiguous, assign, gap, runner_up
from barerail.records import TWO_FACED, Array, Index
from barerail.settings import PointsSettings
from barerail.stages.points.nodes import node_partners
from barerail.stages.points.place import LINES, SIDELESS, Placed, nearby, separation

MIRROR = np.array([1.0, -1.0, 1.0])
CENTRE_MM = 1.0
"""A feature this close to its own mirror image is on the centre plane, whatever lies beside it (judgement)."""
LENGTH_MM = 5.0
"""How far slot lengths or bracket gaps of a pair may differ beyond their joint U: a tab may be bent (judgement)."""


class Partners(NamedTuple):
    """Rows of Placed (k,) that are partners; `doubtful` (m, 2): pairs refused, `distance` (m,) mm apart by mirror."""

    left: Index
    right: Index
    doubtful: Index
    distance: Array


class Differences(NamedTuple):
    """value (k, 3): right mirrored less left, mm; axis (k, 3): the right one's, mirrored.

    line (k,): tubes and rails. unseen (k,): holes seen on opposite faces only, a sheet's thickness apart.
    """

    left: Index
    right: Index
    value: Array
    axis: Array
    line: NDArray[np.bool_]
    unseen: NDArray[np.bool_]


def find_partners(placed: Placed, settings: PointsSettings) -> Partners:
    """Mutual, unique partners across y = 0.

    Each pair lies within pair_reach_mm of mirror image, alike in kind, size and axis. Among all such matchings the
    one with the least sum of distance, size and angle (each over its limit) is taken; a feature left out costs 1.5.
    No partners: features on the centre plane, whose own mirror image is less than twice as far as the other. Refused:
    a pair with another candidate less than twice as far, or with a like neighbour less than twice as far on its own
    side (in a row of holes with one hidden, the next hole would be taken for it). Nodes of tubes are partners where
    their tubes are: many may stand at one place.
    """
    look = _Look(placed, settings)
    between, distance, cost = look.across()
    near = np.flatnonzero(distance <= settings.pair_reach_mm)
    within = Links(between.a[near], between.b[near])
    n = len(placed.kind)
    chosen = near[assign(within, cost[near], (n, n), unmatched=1.5)]
    a, b, d = between.a[chosen], between.b[chosen], distance[chosen]
    alone = look.neighbour_gap()
    refused = ambiguous(d, np.min([*runner_up(between, distance, chosen), alone[a], alone[b]], axis=0))
    own = np.flatnonzero(look.own_image() <= settings.pair_reach_mm)
    of_tubes = node_partners(placed, a[~refused], b[~refused], own, settings.pair_reach_mm)
    left, right = (np.concatenate(ends) for ends in zip((a[~refused], b[~refused]), of_tubes, strict=True))
    return Partners(left, right, np.column_stack([a, b])[refused], d[refused])


def differences(placed: Placed, left: Index, right: Index) -> Differences:
    """Right rows mirrored less left rows, each hole at the same of its faces on either side, lines at one section."""
    facing = np.einsum("ij,ij->i", placed.axis[left], placed.axis[right] * MIRROR) >= 0
    same = facing | ~placed.of_kind(*TWO_FACED)[left]
    two_left, two_right = (np.isfinite(placed.other[rows, 0]) for rows in (left, right))
    swap_right = ~same & two_right
    swap_left = ~same & ~two_right & two_left
    a = np.where(swap_left[:, None], placed.other[left], placed.point[left])
    b = np.where(swap_right[:, None], placed.other[right], placed.point[right])
    axis = placed.axis[right] * MIRROR
    return Differences(left, right, b * MIRROR - a, axis, placed.of_kind(*LINES)[left], ~(same | two_left | two_right))


class _Look:
    """Likeness of features to each other and to mirror images."""

    def __init__(self, placed: Placed, settings: PointsSettings) -> None:
        self.placed, self.settings = placed, settings
        self.reach = 2 * settings.pair_reach_mm
        self.size = np.array([f.diameter for f in placed.source])
        self.length = np.array([f.length for f in placed.source])
        self.u_size = np.array([f.u_diameter for f in placed.source])
        self.u_length = np.array([f.u_length for f in placed.source])
        self.sized, self.long = ~placed.of_kind("sleeve"), placed.of_kind("slot", "bolt-axis")
        self.two_sided, self.faced = placed.of_kind(*SIDELESS, *TWO_FACED), placed.of_kind(*TWO_FACED)
        self.longest = float(placed.half.max(initial=0.0))

    def across(self) -> tuple[Links, Array, Array]:
        """Possible partners left to right out to twice the reach, their distances (k,) mm and costs (k,)."""
        p = self.placed
        on_left = p.point[:, 1] >= 0
        left, right = np.flatnonzero(on_left), np.flatnonzero(~on_left)
        found = nearby(p.point[left], p.kind[left], p.point[right] * MIRROR, p.kind[right], self.reach, self.longest)
        between = Links(left[found.a], right[found.b])
        diff = differences(p, *between).value
        distance = separation(diff, p.axis[between.a], np.maximum(p.half[between.a], p.half[between.b]))
        alike, misfit = self._alike(between, MIRROR)
        own = self.own_image()
        apart = np.minimum(own[between.a], own[between.b]) > 2 * distance + CENTRE_MM
        keep = alike & apart & (distance <= self.reach) & ~p.of_kind("tube-node")[between.a]
        cost = distance / self.settings.pair_reach_mm + (misfit + self._opposite(between, MIRROR)) / 4
        return Links(between.a[keep], between.b[keep]), distance[keep], cost[keep]

    def neighbour_gap(self) -> Array:
        """Distance (n,) from each feature to the nearest like one."""
        p, same = self.placed, np.ones(3)
        among = nearby(p.point, p.kind, p.point, p.kind, self.reach, 0.0)
        alike = self._alike(among, same)[0] & ~self._opposite(among, same)
        among = Links(among.a[alike], among.b[alike])
        return gap(among, np.linalg.norm(p.point[among.b] - p.point[among.a], axis=1), len(p.kind))

    def _alike(self, between: Links, image: Array) -> tuple[NDArray[np.bool_], Array]:
        """Which links (k,) join like sizes and axes (b's by `image`), and the misfit, each part over its limit."""
        a, b = between
        s = self.settings
        size = _misfit(self.size, self.u_size, a, b, s.pair_size_mm)
        length = np.where(self.long[a], _misfit(self.length, self.u_length, a, b, LENGTH_MM), 0.0)
        cosine = self._cosine(between, image)
        cosine = np.where(self.two_sided[a], np.abs(cosine), cosine)
        has_axis = np.any(self.placed.axis[a] != 0, axis=1)
        angle = np.where(has_axis, np.degrees(np.arccos(np.clip(cosine, -1, 1))), 0.0) / s.pair_angle_deg
        alike = ((size <= 1) | ~self.sized[a]) & (length <= 1) & (angle <= 1)
        return alike, np.minimum(size, 1) + angle

    def _cosine(self, between: Links, image: Array) -> Array:
        return np.einsum("ij,ij->i", self.placed.axis[between.a], self.placed.axis[between.b] * image)

    def _opposite(self, between: Links, image: Array) -> NDArray[np.bool_]:
        """Links (k,) of holes or slots seen from opposite sides: partners only where nothing better is there."""
        return self.faced[between.a] & (self._cosine(between, image) < 0)

    def own_image(self) -> Array:
        """Distance (n,) from each feature to its own mirror image; infinite where the image has another axis."""
        rows = np.arange(len(self.placed.kind))
        self_links = Links(rows, rows)
        alike, _ = self._alike(self_links, MIRROR)
        diff = self.placed.point * (MIRROR - 1)
        return np.where(alike, separation(diff, self.placed.axis, self.placed.half), np.inf)


def _misfit(value: Array, u: Array, a: Index, b: Index, limit: float) -> Array:
    """|difference| over `limit` plus its U (k = 2); 0 where a value isn't known."""
    spread = limit + 2 * np.hypot(np.nan_to_num(u[a]), np.nan_to_num(u[b]))
    return np.nan_to_num(np.abs(value[a] - value[b]) / spread)
