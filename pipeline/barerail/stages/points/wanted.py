"""Gives the names of a names file to features: registered as a whole, then one to one by kind and place."""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError, UsageError
from barerail.geometry.matching import Links, ambiguous, assign, gap, runner_up
from barerail.records import KINDS, Array, Index, Note, Wanted
from barerail.settings import PointsSettings
from barerail.stages.points.nodes import nodes_named
from barerail.stages.points.place import LINES, Placed, nearby, separation
from barerail.stages.points.placing import FITS_MM, Placement, pattern, stays
from barerail.stages.points.register import EXACT_MM, FEW, moved_words, register
from barerail.stages.points.rows import PITCH_MM

SIDES = {"-L": 1.0, "-R": -1.0}
OTHER = {"-L": "-R", "-R": "-L"}
STANDS_OUT = 5.0
ALONE_MM = 1.0
"""How far a single name in a row may be off where nothing else holds the file (judgement)."""
TOLD_DEG, WARNED_DEG = 0.05, 0.2
"""Turns of a file that are worth a word, and a warning: 0.9 and 3.5 mm on 1 m (judgement)."""


class Given(NamedTuple):
    """Name of each named row of Placed; why each name that stayed without a feature did; and what to tell the user."""

    names: dict[int, str]
    missing: dict[Wanted, str]
    notes: tuple[Note, ...]


def check(wanted: Sequence[Wanted]) -> None:
    """UsageError with the row of the names file where the side in a name disagrees with its y."""
    for w in wanted:
        ending, y = w.name[-2:], w.position[1]
        if ending in SIDES and SIDES[ending] * y <= 0:
            where = "left" if y > 0 else "right" if y < 0 else "on the centre plane"
            raise UsageError(
                f"names file, row {w.row}: {w.name} ends in {ending}, but y = {y:g} mm is {where} (as seated, facing "
                "forward); correct the name, the sign of y or the axes of the file"
            )


def give(wanted: Sequence[Wanted], placed: Placed, partner: dict[int, int], settings: PointsSettings) -> Given:
    """Each name to its feature.

    Within reach_mm of its registered place, of its kind, and on its side of the car, the matching with the least sum
    of distance over reach is taken. Names whose feature has another candidate less than twice as far are refused
    (DataError, all in one line). A feature that has a like one less than twice as far as the name is in a row whose
    end the scan may not show: the name is missing; so it is where another feature out of its reach is less than twice
    as far from it. A diameter that differs is told only: a hole may
    have been drilled out. A name in -L or -R names the partner as well, unless that has one.
    """
    check(wanted)
    if not wanted:
        return Given({}, {}, ())
    told = {w.name for w in wanted if w.kind == "tube"}
    of_tubes = [w for w in wanted if w.tubes and told.issuperset(w.tubes)]
    for w in wanted:
        if told.intersection(w.tubes) and not told.issuperset(w.tubes):
            lost = next(t for t in w.tubes if t not in told)
            raise UsageError(
                f"names file, row {w.row}: {w.name} is of the tube {lost}, which is no tube of the file; where you "
                "renamed that tube, rename it in tube_a and tube_b too"
            )
    return _Giving([w for w in wanted if w not in of_tubes], of_tubes, placed, settings).result(partner)


class _Giving:
    def __init__(
        self, wanted: Sequence[Wanted], of_tubes: Sequence[Wanted], placed: Placed, settings: PointsSettings
    ) -> None:
        self.wanted, self.placed, self.size_mm = wanted, placed, settings.pair_size_mm
        self.of_tubes = of_tubes
        self.kind = np.array([KINDS.index(w.kind) for w in wanted])
        self.reach = np.array([w.reach_mm for w in wanted])
        self.side = np.array([SIDES.get(w.name[-2:], 0.0) for w in wanted])
        at = np.array([w.position for w in wanted], float)
        self.placement = self._register(at, settings.register_mm)
        self.at = self.placement.moved(at)

    def _register(self, at: Array, furthest: float) -> Placement:
        """Of the names that stand for one place; a tube's or rail's middle may lie anywhere along it, and nodes follow
        from tubes."""
        p = self.placed
        loose = [KINDS.index(kind) for kind in (*LINES, "tube-node")]
        pointed, there = (~np.isin(k, loose) for k in (self.kind, p.kind))
        if not pointed.any() or not there.any():
            return stays(pattern(at, self.kind, p.point, p.kind))
        names = pattern(at[pointed], self.kind[pointed], p.point[there], p.kind[there])
        return register(names, float(np.median(self.reach[pointed])), furthest)

    def result(self, partner: dict[int, int]) -> Given:
        around, far = self._around()
        near = np.flatnonzero(far <= self.reach[around.a])
        within, distance = Links(around.a[near], around.b[near]), far[near]
        cost = distance / self.reach[within.a]
        chosen = assign(within, cost, (len(self.wanted), len(self.placed.kind)), unmatched=1.0)
        self._refuse(within, distance, chosen)
        a, b, d = within.a[chosen], within.b[chosen], distance[chosen]
        gaps = self._neighbour_gap()[b], runner_up(around, far, near[chosen])[0]
        in_row = ambiguous(d, np.minimum(*gaps)) | self._maybe_next(a, d, gaps[0])
        names = {int(j): self.wanted[i].name for i, j in zip(a[~in_row], b[~in_row])}
        why = {int(i): self._row_words(i, *lengths) for i, *lengths in zip(*(v[in_row] for v in (a, d, *gaps)))}
        for i in sorted({*range(len(self.wanted))} - {*a.tolist()}):
            why[i] = self._why(i, names)
        missing = {self.wanted[i]: why[i] for i in sorted(why)}
        nodes = self._nodes(names)
        lost = [w for w in self.of_tubes if w.name not in nodes.values()]
        missing |= {w: f"no tube-node of {' and '.join(w.tubes)} within {w.reach_mm:g} mm" for w in lost}
        taken = {name: nodes[j] for j, name in names.items() if j in nodes}
        missing |= {w: f"the node there is {taken[w.name]}, by its tubes" for w in self.wanted if w.name in taken}
        names |= nodes
        partners = self._for_partners(names, partner)
        notes = (
            *self._registered(),
            *self._stands_out(a[~in_row], d[~in_row]),
            *self._other_size(a[~in_row], b[~in_row]),
            *self._split(names, partner),
        )
        return Given(names | partners, missing, notes)

    def _nodes(self, names: dict[int, str]) -> dict[int, str]:
        """Names of nodes whose tubes the file names, each within its reach."""
        at = [tuple(self.placement.moved(np.array([w.position]))[0].tolist()) for w in self.of_tubes]
        moved = [replace(w, position=p) for w, p in zip(self.of_tubes, at, strict=True)]
        return nodes_named(moved, self.placed, names, None)

    def _around(self) -> tuple[Links, Array]:
        """Features of the name's kind within twice its reach, on its side, and their distance (k,) mm."""
        p = self.placed
        furthest = 2 * float(self.reach.max())
        found = nearby(self.at, self.kind, p.point, p.kind, furthest, float(p.half.max(initial=0.0)))
        distance = separation(self.at[found.a] - p.point[found.b], p.axis[found.b], p.half[found.b])
        keep = (distance <= 2 * self.reach[found.a]) & (self.side[found.a] * p.point[found.b, 1] >= 0)
        return Links(found.a[keep], found.b[keep]), distance[keep]

    def _maybe_next(self, a: Index, distance: Array, gap_mm: Array) -> NDArray[np.bool_]:
        """True (k,) where the feature that is taken may be the next one of a row, whose own hole isn't seen.

        Where the pattern holds the file: as far off as a least pitch, and much further than the rest. Where nothing
        does: further than half a least pitch; where other names fit nowhere, further than files that stand as they are;
        in a row, of the features or the names, further than a name from the same datum is off.
        """
        spread = self.placement.spread
        if self.placement.fits >= FEW:
            return (distance > max(FITS_MM, STANDS_OUT * spread)) & (
                distance > 2 * FITS_MM - max(1, STANDS_OUT * spread)
            )
        names = nearby(self.at, self.kind, self.at, self.kind, PITCH_MM, 0.0)
        apart = np.linalg.norm(self.at[names.b] - self.at[names.a], axis=1)
        next_one = np.minimum(gap_mm, gap(names, apart, len(self.wanted))[a])
        most = np.where(next_one <= PITCH_MM, ALONE_MM, FITS_MM if len(self.wanted) == 1 else EXACT_MM)
        line = np.isin(self.kind[a], [KINDS.index(k) for k in LINES])
        return ~line & (distance > most) & (self.placement.fits < 2)

    def _neighbour_gap(self) -> Array:
        """Distance (n,) from each feature to the nearest other of its kind."""
        p = self.placed
        among = nearby(p.point, p.kind, p.point, p.kind, 2 * float(self.reach.max()), 0.0)
        return gap(among, np.linalg.norm(p.point[among.b] - p.point[among.a], axis=1), len(p.kind))

    def _refuse(self, within: Links, distance: Array, chosen: Index) -> None:
        """DataError for names whose place fits two features, or features that fit two names, about as well."""
        by_name, by_feature = runner_up(within, distance, chosen)
        told = []
        for k, two, shared in zip(chosen, by_name, by_feature):
            w, d = self.wanted[within.a[k]], distance[k]
            if ambiguous(d, two):
                told.append(f"row {w.row}, {w.name}: one {w.kind} is {d:.1f} mm away, another {two:.1f} mm")
            elif ambiguous(d, shared):
                told.append(
                    f"row {w.row}, {w.name}: its {w.kind}, {d:.1f} mm away, is {shared:.1f} mm from another name"
                )
        if told:
            more = f"; and {len(told) - 3} more" if len(told) > 3 else ""
            raise DataError(
                f"names file: {len(told)} name(s) can't be told apart: {'; '.join(told[:3])}{more}; "
                "correct their places or lower reach_mm (a tube-node: keep tube_a and tube_b, and both tubes' rows)"
            )

    def _row_words(self, i: int, distance: float, gap_mm: float, other: float) -> str:
        kind = self.wanted[i].kind
        here = f"the nearest {kind} is {distance:.1f} mm away"
        if gap_mm < 2 * distance:
            row = f"has another {gap_mm:.1f} mm from it: in such a row it may be the next one, so it isn't taken"
            return f"{here} and {row}"
        if other < 2 * distance:
            return f"{here}, another {other:.1f} mm: no telling which"
        if self.placement.fits >= FEW:
            return (
                f"{here}, the other names fit to {self.placement.spread:.2f} mm (median): it may be the next hole of "
                "a row, so it isn't taken; correct the name's place if it is the one"
            )
        return (
            f"{here}, and too few names fit to hold the file where it is: it may be the next hole of a row, so it "
            "isn't taken; name more features, or correct the name's place if it is the one"
        )

    def _why(self, i: int, names: dict[int, str]) -> str:
        """Why name i has no feature, with distances."""
        w, p = self.wanted[i], self.placed
        distance = separation(self.at[i] - p.point, p.axis, p.half)
        distance[self.side[i] * p.point[:, 1] < 0] = np.inf
        own = np.where(p.kind == self.kind[i], distance, np.inf)
        nearest, least = int(np.argmin(own)) if len(own) else -1, float(own.min(initial=np.inf))
        if least <= w.reach_mm:
            return f"the {w.kind} {least:.1f} mm away is {names.get(nearest, 'already taken')}"
        if distance.min(initial=np.inf) <= w.reach_mm:
            j = int(np.argmin(distance))
            there = f"a {KINDS[p.kind[j]]} {distance[j]:.1f} mm away"
            return f"no {w.kind} within {w.reach_mm:g} mm, but {there}: its kind differs"
        far = f"the nearest is {least:.1f} mm away" if np.isfinite(least) else "none on its side at all"
        return f"no {w.kind} within {w.reach_mm:g} mm, {far}"

    def _for_partners(self, names: dict[int, str], partner: dict[int, int]) -> dict[int, str]:
        """Names for partners of features named -L or -R, where neither the partner nor the name is spoken for."""
        given = {w.name for w in (*self.wanted, *self.of_tubes)}
        more = {}
        for j, name in names.items():
            other = name[:-2] + OTHER.get(name[-2:], "")
            if name[-2:] in OTHER and j in partner and partner[j] not in names and other not in given:
                more[partner[j]] = other
        return more

    def _registered(self) -> list[Note]:
        p = self.placement
        if not p.fits:
            return []
        turn = float(np.degrees(np.linalg.norm(p.turn)))
        turned = f", turned by {turn:.2f} degrees" if turn >= TOLD_DEG else ""
        moved = f"registered, moved {moved_words(p.shift)}{turned}"
        text = f"names file: {moved}; {p.fits} names then fit to {p.spread:.2f} mm (median)"
        return [Note("points", text, p.fits, warning=p.length > FITS_MM or turn >= WARNED_DEG)]

    def _stands_out(self, a: Index, distance: Array) -> list[Note]:
        """Names much further from their feature than the rest; of a few names those that a next hole may have got."""
        typical = float(np.median(distance)) if len(distance) >= FEW else 0.0
        far = distance > max(FITS_MM, STANDS_OUT * typical)
        rows = [f"{self.wanted[i].name} {d:.1f} mm" for i, d in zip(a[far], distance[far])]
        than = (
            f"the others (median {typical:.1f} mm)" if typical else f"{FITS_MM:g} mm, as the next one of a row may be"
        )
        text = f"names further from their feature than {than}: {', '.join(rows)}"
        return [Note("points", text, len(rows), warning=True)] if rows else []

    def _other_size(self, a: Index, b: Index) -> list[Note]:
        """Names whose feature is wider or narrower than the names file says; a sleeve may show bore or outside."""
        rows = []
        for w, f in ((self.wanted[i], self.placed.source[j]) for i, j in zip(a, b)):
            if w.kind != "sleeve" and abs(f.diameter - w.diameter_mm) > self.size_mm + 2 * f.u_diameter:
                rows.append(f"{w.name} {w.diameter_mm:.1f} mm, measured {f.diameter:.1f} mm")
        text = f"names file: diameters that differ: {'; '.join(rows)}"
        return [Note("points", text, len(rows), warning=True)] if rows else []

    def _split(self, names: dict[int, str], partner: dict[int, int]) -> list[Note]:
        """-L and -R names given to two features that aren't partners."""
        row = {name: j for j, name in names.items()}
        stems = [n[:-2] for n in row if n.endswith("-L") and n[:-2] + "-R" in row]
        apart = [s for s in stems if partner.get(row[s + "-L"]) != row[s + "-R"]]
        text = f"named as left and right, but no mirror images of each other: {', '.join(apart)}"
        return [Note("points", text, len(apart), warning=True)] if apart else []
