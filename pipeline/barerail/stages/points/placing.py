"""Where a names file may stand: shifts that many of its names vote for, each refined to a small rigid movement."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.frames import from_rotation_vector, skew
from barerail.geometry.matching import APART, links, tree
from barerail.geometry.robust import TUKEY_C, tukey_weights
from barerail.records import Array, Index

FITS_MM = 7.5
"""A name fits where a feature of its kind is this near: half the least usual pitch of adjusting holes, 15 mm."""
DISTINCT_MM = 10.0
TURN = np.radians(0.3)
"""How far a names file is turned against the datum, rad, 1 sd (judgement): holds the turn where few names do."""
VOTERS = 400
VOTES = 100_000
PROPOSALS = 40
TURNED = 12
"""Most shifts that are looked at with a turn as well."""
STARTS = np.vstack([np.zeros(3), *(np.radians(0.5) * sign * np.eye(3) for sign in (1, -1))])
"""Turns to start from, rad: where one row fits a hole on, the right turn is not downhill from none."""
MOST_STARTS = 4


@dataclass(frozen=True, eq=False)
class Placement:
    """The pattern turned by `turn` (3,) rad about its `middle` (3,) mm and moved by `shift` (3,) mm.

    fits: how many names fit there; spread: the median distance of those, mm.
    """

    shift: Array
    fits: int
    spread: float
    turn: Array
    middle: Array

    def moved(self, at: Array) -> Array:
        """Places (n, 3) of the names file where they stand in the car."""
        return self.middle + (at - self.middle) @ from_rotation_vector(self.turn).T + self.shift

    @property
    def length(self) -> float:
        """How far the middle is moved, mm."""
        return float(np.linalg.norm(self.shift))


@dataclass(frozen=True, eq=False)
class Pattern:
    """Names (n, 3), mm, and features (m, 3) with their kinds; features in a `matching.tree` too."""

    names: Array
    kind: Index
    at: Array
    at_kind: Index
    features: cKDTree

    def near(self, places: Array, within: float) -> tuple[Array, Index]:
        """Distance (n,) to each name's nearest feature of its kind, inf beyond `within`, and its row."""
        found = self.features.query(np.column_stack([places, APART * self.kind]), distance_upper_bound=within)
        return np.asarray(found[0]), np.asarray(found[1])

    def voters(self) -> Index:
        """At most 400 names, evenly of the file."""
        n = len(self.names)
        return np.unique(np.linspace(0, n - 1, min(n, VOTERS)).astype(np.int64))

    def of(self, rows: Index) -> "Pattern":
        """The pattern of some of the names."""
        return Pattern(self.names[rows], self.kind[rows], self.at, self.at_kind, self.features)


def pattern(names: Array, kind: Index, at: Array, at_kind: Index) -> Pattern:
    """Names and features with their kinds, ready to be compared."""
    return Pattern(names, kind, at, at_kind, tree(at, at_kind))


def stays(p: Pattern) -> Placement:
    """The file as it stands, where nothing holds it elsewhere."""
    return Placement(np.zeros(3), 0, float("nan"), np.zeros(3), p.names.mean(axis=0))


def placements(p: Pattern, proposals: Array) -> list[Placement]:
    """Distinct places, the ones with most fits first, of those the nearer first."""
    shifts = np.vstack([np.zeros(3), proposals])
    refined = sorted((_shifted(p, shift) for shift in shifts), key=_order)
    apart = _distinct(p, refined)
    likely = [q for q in apart[:TURNED] if 4 * q.fits >= apart[0].fits and q.fits >= 3]
    some = p.of(p.voters())
    ends = [
        _counted(some, _downhill(some, replace(q, turn=turn)))
        for i, q in enumerate(likely)
        for turn in (STARTS if i < MOST_STARTS else STARTS[:1])
    ]
    turned = [_counted(p, q) for q in _distinct(p, sorted(ends, key=_order))]
    return _distinct(p, sorted(turned + [q for q in apart if q not in likely], key=_order))


def proposals(p: Pattern, furthest: float) -> Array:
    """Shifts (m, 3) up to `furthest` mm that many names vote for, strongest first."""
    voters = p.voters()
    found = links(tree(p.names[voters], p.kind[voters]), p.features, furthest)
    return strongest(p.at[found.b] - p.names[voters][found.a])


def along(p: Pattern, furthest: float) -> Array:
    """`proposals` at any distance along the car: y = 0 is the mirror plane in every datum, the level may differ."""
    votes = [np.zeros((0, 3))]
    for i in p.voters():
        vote = p.at[p.at_kind == p.kind[i]] - p.names[i]
        votes.append(vote[(np.abs(vote[:, 1]) <= FITS_MM) & (np.abs(vote[:, 2]) <= furthest)])
    cast = np.concatenate(votes)
    return strongest(cast[:: len(cast) // VOTES + 1])


def strongest(votes: Array, radius: float = FITS_MM) -> Array:
    """Of votes (k, 3) the places (m, 3) with the most others within `radius` mm, strongest first."""
    if len(votes) == 0:
        return votes
    order = np.argsort(np.linalg.norm(votes, axis=1).round(6), kind="stable")
    votes = votes[order]
    strength = np.array(cKDTree(votes).query_ball_point(votes, radius, return_length=True), float)
    kept: list[Array] = []
    while len(kept) < PROPOSALS and strength.max() > 0:
        kept.append(votes[np.argmax(strength)])
        strength[np.linalg.norm(votes - kept[-1], axis=1) <= radius] = 0
    return np.array(kept)


def _order(p: Placement) -> tuple[float, ...]:
    return (-p.fits, round(p.spread) if p.fits else 0, round(p.length, 6), *p.shift)


def _distinct(p: Pattern, found: list[Placement]) -> list[Placement]:
    """Those that move some name by more than 10 mm against each one kept before."""
    kept: list[Placement] = []
    some = p.names[p.voters()]
    places: list[Array] = []
    for q in found:
        at = q.moved(some)
        if all(np.linalg.norm(at - other, axis=1).max() > DISTINCT_MM for other in places):
            kept.append(q)
            places.append(at)
    return kept


def _shifted(p: Pattern, shift: Array) -> Placement:
    """The shift moved to the median of what fits, three times or until it stays, and what fits there."""
    middle = p.names.mean(axis=0)
    for _ in range(4):
        distance, j = p.near(p.names + shift, FITS_MM)
        fits = np.isfinite(distance)
        if not fits.any():
            return Placement(shift, 0, float("nan"), np.zeros(3), middle)
        last, shift = shift, np.median(p.at[j[fits]] - p.names[fits], axis=0)
        if np.array_equal(last, shift):
            break
    return Placement(last, int(fits.sum()), float(np.median(distance[fits])), np.zeros(3), middle)


def _downhill(p: Pattern, now: Placement, rounds: int = 8) -> Placement:
    """Steps of a robust rigid fit: distances weighed down by Tukey's biweight, the turn held by `TURN`."""
    for _ in range(rounds):
        places = now.moved(p.names)
        distance, j = p.near(places, FITS_MM)
        fits = np.isfinite(distance)
        if not fits.any():
            break
        step = _step(places[fits] - now.middle, p.at[j[fits]] - places[fits], now)
        now = replace(now, shift=now.shift + step[:3], turn=now.turn + step[3:])
        if np.abs(step[:3]).max() < 0.01 and np.abs(step[3:]).max() < 1e-5:
            break
    return now


def _counted(p: Pattern, q: Placement) -> Placement:
    """The placement with what fits there."""
    distance = p.near(q.moved(p.names), FITS_MM)[0]
    near = distance[np.isfinite(distance)]
    return replace(q, fits=len(near), spread=float(np.median(near)) if len(near) else float("nan"))


def _step(lever: Array, off: Array, now: Placement) -> Array:
    """Shift and turn (6,) that take places with `lever` (n, 3) about the middle nearest to what they are `off`."""
    length = np.linalg.norm(off, axis=1)
    sigma = max(float(np.median(length)) / 1.54, 0.2)  # the median of a Maxwell distribution is 1.54 sd
    weight = tukey_weights(length, TUKEY_C, 1.54 * sigma) / sigma**2
    hold = np.diag([1e-9] * 3 + [TURN**-2] * 3)
    normal, right = hold.copy(), -hold @ np.concatenate([np.zeros(3), now.turn])
    design = np.concatenate([np.broadcast_to(np.eye(3), (len(off), 3, 3)), np.array([-skew(q) for q in lever])], axis=2)
    normal += np.einsum("i,ija,ijb->ab", weight, design, design)
    right += np.einsum("i,ija,ij->a", weight, design, off)
    return np.linalg.solve(normal, right)
