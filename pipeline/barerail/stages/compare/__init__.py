"""Compare: what moved between an earlier and a later scan of one chassis."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barerail.asked import CompareSettings
from barerail.errors import UsageError
from barerail.geometry.frames import invert, transform
from barerail.geometry.registration.align import partners
from barerail.geometry.registration.surface import Surface
from barerail.geometry.tube_pair import frame_rails
from barerail.records import (
    Array,
    CleanScan,
    Datum,
    DistanceMap,
    Features,
    Frozen,
    MountPoints,
    Moves,
    Note,
    Unmoved,
)

from .budget import PoseBudget, Stood, assumed, standing
from .drawing import against
from .lay import FLIPS, Region, lay, surface
from .modes import modes
from .rails import rail_shifts
from .shifts import matched, shifts

__all__ = ["Earlier", "against", "compare", "laid", "later_car"]

MAP_MM = 15.0
"""Distance beyond which surfaces count as different ones in the map."""


@dataclass(frozen=True, eq=False)
class Earlier(Frozen):
    """What the earlier job found, in its own scan axes and car axes."""

    clean: CleanScan
    features: Features
    datum: Datum
    points: MountPoints


def laid(before: Earlier, after: CleanScan, later: Datum | None, settings: CompareSettings) -> Unmoved:
    """The later scan's pose on the earlier one; `later`: its own datum, where it has one, as a start.

    UsageError: `unmoved` names what isn't there. DataError: see `lay`.
    """
    here, there = surface(before.clean), surface(after)
    starts = [np.eye(4)]
    if later is not None:
        starts += [invert(before.datum.car_from_scan) @ flip @ later.car_from_scan for flip in FLIPS]
    return lay(here, there, starts, _region(before, settings))


def later_car(before: Datum, unmoved: Unmoved) -> Datum:
    """The earlier scan's car axes as seen from the later scan."""
    return replace(before, car_from_scan=before.car_from_scan @ unmoved.pose, influence=())


def compare(
    before: Earlier,
    after: CleanScan,
    features: Features,
    points: MountPoints,
    unmoved: Unmoved,
    settings: CompareSettings,
    axes: str = "iso8855",
) -> Moves:
    """Shifts of points, rails and surface, and how the frame bent; `points`: the later ones in the earlier car axes.

    All of it x forward, y left; axes: how the notes alone are to count.
    UsageError for a limit on a name that the earlier job doesn't have.
    """
    known = {p.name for p in before.points.points}
    if lost := [name for name in settings.limits if name not in known]:
        raise UsageError(f"compare: no point of the earlier job is called {', '.join(lost)}: see its points.csv")
    stood = Stood.over(_frame(before), settings.stood_mm)
    budget = PoseBudget.of(unmoved, before.datum, before.features.noise, features.noise, stood)
    first, second = ([p for p in m.points if np.isfinite(p.position).all() and p.kind != "rail"]
                     for m in (before.points, points))  # fmt: skip
    pairs = matched(first, second, settings.reach_mm)
    scanned = transform(before.datum.car_from_scan @ unmoved.pose, after.thin)
    found = shifts(first, second, pairs, budget, scanned, settings)
    rails = rail_shifts(before.features, features, before.datum, unmoved.pose, budget)
    taken = {j for _, j in pairs}
    bent = modes(found, rails, (before.features.noise, features.noise), budget)
    notes = (*_notes(before, unmoved, axes), *standing(settings, stood))
    added = tuple(q.name for j, q in enumerate(second) if j not in taken)
    names = {second[j].name: first[i].name for i, j in pairs}
    between = distance_map(before, after, unmoved, budget)
    return Moves(
        budget.with_all(unmoved, before.datum),
        tuple(found),
        names,
        added,
        bent,
        rails,
        between,
        notes,
        assumed(settings),
    )


def _frame(before: Earlier) -> Array:
    """Centres (n, 3) of the rails' stations in car axes, and all points where there are no rails on both sides."""
    car = before.datum.car_from_scan
    at = np.array([s.centre for r in frame_rails(before.features.rails, car) for s in r.stations]).reshape(-1, 3)
    at = transform(car, at)
    if (at[:, 1] > 0).any() and (at[:, 1] < 0).any():
        return at
    points = [p.position for p in before.points.points if np.isfinite(p.position).all()]
    return np.vstack([at, np.array(points).reshape(-1, 3)])


def _region(before: Earlier, settings: CompareSettings) -> Region | None:
    if not settings.unmoved:
        return None
    stretches, places = [], []
    named = {p.name: p.position for p in before.points.points}
    for text in settings.unmoved:
        if ".." in text:
            stretches.append(_stretch(text))
        elif text in named and np.isfinite(named[text]).all():
            places.append(named[text])
        else:
            raise UsageError(
                f"--unmoved {text}: no such point in the earlier job; give names, or x from..to like -900..0"
            )
    return _near(before.datum.car_from_scan, np.array(places).reshape(-1, 3), stretches, settings.near_mm)


def _stretch(text: str) -> tuple[float, float]:
    try:
        a, b = (float(part) for part in text.split(".."))
    except ValueError:
        raise UsageError(f"--unmoved {text}: give a stretch of x as from..to in mm, like -900..-200") from None
    return min(a, b), max(a, b)


def _near(car: Array, places: Array, stretches: Sequence[tuple[float, float]], reach: float) -> Region:
    def inside(points: Array) -> NDArray[np.bool_]:
        at = transform(car, points)
        out = np.zeros(len(at), bool)
        for a, b in stretches:
            out |= (at[:, 0] >= a) & (at[:, 0] <= b)
        for place in places:
            out |= ((at - place) ** 2).sum(axis=1) < reach**2
        return out

    return inside


def distance_map(before: Earlier, after: CleanScan, unmoved: Unmoved, budget: PoseBudget) -> DistanceMap:
    """How far the later surface lies outside the earlier one, at the later scan's thinned points."""
    here, there = surface(before.clean), surface(after)
    rows = np.arange(len(there.points))
    found = partners(here, there, unmoved.pose, MAP_MM, rows)
    distance = np.full(len(rows), np.nan)
    distance[found.rows] = found.distance
    at = transform(before.datum.car_from_scan @ unmoved.pose, there.points)
    normal = np.zeros((len(rows), 3))
    normal[found.rows] = found.normals @ before.datum.car_from_scan[:3, :3].T
    own = _scatter(here, there, found.distance)
    u = 2 * np.sqrt(np.einsum("ni,nij,nj->n", normal, budget.at(at).whole, normal) + own**2)
    return DistanceMap(at, distance, np.where(np.isfinite(distance), u, np.nan))


def _scatter(here: Surface, there: Surface, distance: Array) -> float:
    """Standard deviation of one thinned distance: no larger than both scans' noise, what stayed shows how much less."""
    most = float(np.hypot(here.noise, there.noise))
    seen = 1.4826 * float(np.median(np.abs(distance))) if len(distance) else most
    return min(most, seen)


def _notes(before: Earlier, unmoved: Unmoved, axes: str) -> tuple[Note, ...]:
    sign = -1.0 if axes == "iso4130" else 1.0
    at = transform(before.datum.car_from_scan, unmoved.places) * [sign, sign, 1.0]
    low, high = at.min(axis=0), at.max(axis=0)
    share = f"{100 * unmoved.share:.0f} % of the surface that both have, spread {unmoved.spread_mm:.2f} mm"
    text = f"laid on what stayed: {share}, x {low[0]:z.0f} to {high[0]:z.0f} mm, y {low[1]:z.0f} to {high[1]:z.0f} mm"
    notes = [Note("compare", text)]
    if min(-low[1], high[1]) < 100 or high[0] - low[0] < 600:
        text = "what stayed is short or on one side only: turns are held loosely, see U; name more, or scan more of it"
        notes.append(Note("compare", text, warning=True))
    return tuple(notes)
