"""Names of an earlier job on the same car, taken over by place, so that they stay through everything."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from barerail.geometry.matching import Links, ambiguous, assign, runner_up
from barerail.records import KINDS, Note, Wanted
from barerail.stages.points.nodes import nodes_named
from barerail.stages.points.place import Placed, nearby, separation
from barerail.stages.points.placing import FITS_MM
from barerail.stages.points.wanted import OTHER, SIDES


class TakenOver(NamedTuple):
    """Name of each row of Placed that has one from the earlier job, and what to tell the user."""

    names: dict[int, str]
    notes: tuple[Note, ...]


def taken_over(
    earlier: Sequence[Wanted], placed: Placed, partner: Mapping[int, int], given: Mapping[int, str], spoken: set[str]
) -> TakenOver:
    """Names of the `earlier` points for rows that nobody named, both in one datum.

    One to one, of one kind, on one side of the car, within FITS_MM, the least sum of distances; nothing is taken over
    where another feature or name is less than twice as far. A partner that the earlier job didn't see gets its mate's
    name with the other ending. given: rows that have a name; spoken: names the user gave, found or not.
    """
    left = [w for w in earlier if w.name not in spoken]
    if not left:
        return TakenOver({}, ())
    names, seen = _by_place([w for w in left if not w.tubes], placed, given)
    as_before = _by_place([w for w in earlier if w.kind == "tube"], placed, {})[0]
    of_tubes = nodes_named([w for w in left if w.tubes], placed, {**given, **names, **as_before}, FITS_MM)
    free = {row: name for row, name in of_tubes.items() if row not in given}
    names, seen = {**names, **free}, seen | set(of_tubes.values())
    known = {w.name for w in earlier} | spoken
    for row, name in list(names.items()):
        mate, other = partner.get(row), name[:-2] + OTHER.get(name[-2:], "")
        if mate is not None and mate not in names and mate not in given and other != name[:-2] and other not in known:
            names[mate] = other
    gone = [w.name for w in left if w.name not in seen]
    told = f"names kept from before: {len(names)}"
    return TakenOver(names, (Note("points", told + (f"; not seen here: {', '.join(gone)}" if gone else "")),))


def _by_place(earlier: Sequence[Wanted], placed: Placed, given: Mapping[int, str]) -> tuple[dict[int, str], set[str]]:
    """Name of each row that has one, and those of `earlier` with any feature of their kind at their place."""
    if not earlier:
        return {}, set()
    at = np.array([w.position for w in earlier], float)
    kind = np.array([KINDS.index(w.kind) for w in earlier])
    side = np.array([SIDES.get(w.name[-2:], 0.0) for w in earlier])
    free = np.array([row not in given for row in range(len(placed.kind))], bool)
    found = nearby(at, kind, placed.point, placed.kind, 2 * FITS_MM, float(placed.half.max(initial=0.0)))
    distance = separation(at[found.a] - placed.point[found.b], placed.axis[found.b], placed.half[found.b])
    there = side[found.a] * placed.point[found.b, 1] >= 0
    seen = {earlier[i].name for i in found.a[there & (distance <= FITS_MM)]}
    keep = there & (distance <= 2 * FITS_MM) & free[found.b]
    between, distance = Links(found.a[keep], found.b[keep]), distance[keep]
    near = np.flatnonzero(distance <= FITS_MM)
    within, shape = Links(between.a[near], between.b[near]), (len(earlier), len(placed.kind))
    chosen = near[assign(within, distance[near] / FITS_MM, shape, unmatched=1.0)]
    sure = chosen[~ambiguous(distance[chosen], np.minimum(*runner_up(between, distance, chosen)))]
    return {int(between.b[k]): earlier[between.a[k]].name for k in sure}, seen
