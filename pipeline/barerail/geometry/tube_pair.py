"""Which long round tubes are a frame's two rails."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..records import Array, Frozen, Rail
from .frames import direction, transform

ALONG = 0.7
"""Least share of a tube's direction that runs along the car."""
OFF_MM = 50.0
"""How far from the centre plane a side's rail lies at least."""
ASIDE_MM = 60.0
"""How far the mirror image of a left tube may lie from the right one (judgement)."""
ALIKE = 0.1
"""How far the diameters of a pair may differ, as a share (judgement)."""
LEVEL_MM = 30.0
"""Pairs that lie no further above the lowest one count as low: the longest of them is taken (judgement)."""
SHARED_MM = 500.0
"""Least length in x that both tubes show."""


@dataclass(frozen=True, eq=False)
class TubePair(Frozen):
    """A left and a right tube: mean of both heights and of their distances from the centre plane, length in x that both
    show; of: how many pairs there were; beside: whether a box or channel rail runs along one side."""

    left: Rail
    right: Rail
    height: float
    aside: float
    length: float
    of: int = 1
    beside: bool = False

    @property
    def rails(self) -> tuple[Rail, Rail]:
        return self.left, self.right


def frame_rails(rails: Sequence[Rail], car: Array) -> tuple[Rail, ...]:
    """Box and channel rails, and of long round tubes those two that are the frame's rails, none without stations."""
    pair = lowest_pair(rails, car)
    chosen = pair.rails if pair is not None else ()
    return tuple(r for r in rails if r.stations and (r.section != "tube" or r in chosen))


def lowest_pair(rails: Sequence[Rail], car: Array) -> TubePair | None:
    """The lowest left/right pair of tubes that is at least half as long as the longest pair; None without one, and
    where box or channel rails run along both sides.

    car (4, 4): car from scan, y to the left or the right, z up. The two tubes of a pair are mirror images within
    ASIDE_MM and ALIKE, where both are seen.
    """
    others = [float(np.median(_by_x(r, car)[:, 1])) for r in rails if r.section != "tube" and _runs_along(r, car)]
    if any(y > OFF_MM for y in others) and any(y < -OFF_MM for y in others):
        return None
    tubes = [r for r in rails if r.section == "tube" and len(r.stations) > 2]
    pairs = [p for a in tubes for b in tubes if (p := _pair(a, b, car)) is not None]
    if not pairs:
        return None
    long = [p for p in pairs if p.length >= 0.5 * max(q.length for q in pairs)]
    low = [p for p in long if p.height <= min(q.height for q in long) + LEVEL_MM]
    best = max(low, key=lambda p: p.length)
    return TubePair(best.left, best.right, best.height, best.aside, best.length, len(long), bool(others))


def _pair(left: Rail, right: Rail, car: Array) -> TubePair | None:
    a, b = (_by_x(rail, car) for rail in (left, right))
    low, high = max(a[0, 0], b[0, 0]), min(a[-1, 0], b[-1, 0])
    if high - low < SHARED_MM or not (_runs_along(left, car) and _runs_along(right, car)):
        return None
    x = np.linspace(low, high, 9)
    one, two = (np.column_stack([np.interp(x, p[:, 0], p[:, k]) for k in (1, 2)]) for p in (a, b))
    size = [np.median([s.size[0] for s in rail.stations]) for rail in (left, right)]
    apart = np.abs(one - two * [-1, 1]).max()
    if one[:, 0].min() <= 0 or two[:, 0].max() >= 0 or apart > ASIDE_MM or abs(np.log(size[0] / size[1])) > ALIKE:
        return None
    height, aside = float(np.mean([one[:, 1], two[:, 1]])), float(np.mean([one[:, 0], -two[:, 0]]))
    return TubePair(left, right, height, aside, float(high - low))


def _by_x(rail: Rail, car: Array) -> Array:
    at = transform(car, np.array([s.centre for s in rail.stations]))
    return at[np.argsort(at[:, 0], kind="stable")]


def _runs_along(rail: Rail, car: Array) -> bool:
    ways = direction(car, np.array([s.axes[0] for s in rail.stations]).reshape(-1, 3))
    return len(ways) > 0 and bool(np.median(np.abs(ways[:, 0])) > ALONG)
