"""At which of its stations a rail's point lies: the two rails of a pair at one x."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.records import Array, Rail

SLIDE_MM = 40.0
"""How far off a station its rail may be read: what its own straight slice holds (fit: 80 mm long)."""
ASIDE_MM = 100.0
"""How far the mirrored middle of a rail may lie from the other's, across the car (judgement)."""
TIE_MM = 0.01
"""How much further back the middle counts, so that rounding doesn't decide between two stations equally near."""
ALONG = 0.7
"""Least share of a rail's direction along the car where x may tell its stations apart."""


class Section(NamedTuple):
    """Where a rail's point lies: at a station, by its index, and so many mm on along its axis; of: what it halves."""

    station: int
    slide: float
    of: str


def sections(rails: Sequence[Rail], car: Array) -> list[Section]:
    """A section a rail. The two rails of a pair: at one x, nearest the middle of what both show, where both have a
    station within SLIDE_MM of it; any other rail: at the station nearest its own middle.

    A pair: the left and the right rail that share the longest stretch of x, and lie as far out.
    """
    centres = [transform(car, np.array([s.centre for s in rail.stations])) for rail in rails]
    found = [_own(c) for c in centres]
    shared = np.array([[_shared(a, b) for b in centres] for a in centres]).reshape(len(rails), len(rails))
    for i, j in zip(*np.nonzero(shared > 0)):
        mutual = shared[i, j] == shared[i].max() == shared[:, j].max()
        both = _common(rails[i], rails[j], centres[i], centres[j], car) if mutual else None
        if both is not None:
            found[i], found[j] = both
    return found


def _own(centres: Array) -> Section:
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(centres, axis=0), axis=1))])
    return Section(int(np.argmin(np.abs(run - run[-1] / 2))), 0.0, f"its {len(centres)} stations")


def _shared(left: Array, right: Array) -> float:
    """Length in x that stations (n, 3) of a left and (m, 3) of a right rail both cover; 0 where they are no pair."""
    y = float(np.median(left[:, 1])), float(np.median(right[:, 1]))
    if not (y[0] > 0 > y[1]) or abs(y[0] + y[1]) > ASIDE_MM:
        return 0.0
    low, high = _stretch(left, right)
    return max(high - low, 0.0)


def _stretch(left: Array, right: Array) -> tuple[float, float]:
    x = left[:, 0], right[:, 0]
    return max(float(a.min()) for a in x), min(float(a.max()) for a in x)


def _common(left: Rail, right: Rail, a: Array, b: Array, car: Array) -> tuple[Section, Section] | None:
    """The sections of a pair half-way between two stations that lie near each other; None where none do."""
    ways = [direction(car, np.array([s.axes[0] for s in rail.stations]))[:, 0] for rail in (left, right)]
    steep = np.minimum(np.abs(ways[0])[:, None], np.abs(ways[1]))
    apart = np.abs(a[:, None, 0] - b[None, :, 0])
    near = (steep > ALONG) & (apart <= 2 * SLIDE_MM * steep)
    if not near.any():
        return None
    at = (a[:, None, 0] + b[None, :, 0]) / 2
    off = np.where(near, np.abs(at - sum(_stretch(a, b)) / 2 + TIE_MM), np.inf)
    i, j = (int(k) for k in np.unravel_index(np.argmin(off), off.shape))
    of = "what both rails show, at one x"
    slide = float((at[i, j] - a[i, 0]) / ways[0][i]), float((at[i, j] - b[j, 0]) / ways[1][j])
    return Section(i, slide[0], of), Section(j, slide[1], of)
