"""Features, datum and the user's names -> labelled mounting points in car axes, and the left/right pairs."""

from collections import defaultdict
from collections.abc import Sequence

from barerail.records import KINDS, Datum, Features, MountPoints, Note, Pair, Wanted
from barerail.settings import PointsSettings
from barerail.stages.points.budget import budget, difference
from barerail.stages.points.earlier import taken_over
from barerail.stages.points.groups import groups
from barerail.stages.points.label import Labels, alone, faces, labelled, missing, partner_axes, sides, units
from barerail.stages.points.names import Unit, all_names, crowded
from barerail.stages.points.nodes import tubes_of
from barerail.stages.points.pairs import Differences, Partners, differences, find_partners
from barerail.stages.points.place import Placed, place
from barerail.stages.points.symmetry import symmetrised
from barerail.stages.points.through import through
from barerail.stages.points.tubes import bent_tubes, remarks_on_tubes
from barerail.stages.points.wanted import Given, give

__all__ = ["points"]


def points(
    features: Features,
    datum: Datum,
    wanted: Sequence[Wanted],
    settings: PointsSettings,
    earlier: Sequence[Wanted] = (),
) -> MountPoints:
    """Labelled points of every feature, and one a rail, with the pairs across y = 0 and the hole patterns.

    Order: front to rear, a left point before its right partner; wanted names that found no feature at the end, state
    `missing`. A feature that nobody named has the name it had in an `earlier` job, else an automatic one (`names`).
    Covariances: `budget`. UsageError where a wanted name contradicts its own place; DataError where it can't be told
    which feature it means.
    """
    placed = place(features, datum)
    sums = budget(placed, features, datum)
    partners = find_partners(placed, settings)
    across = differences(placed, partners.left, partners.right)
    partner = _both_ways(partners)
    given = give(wanted, placed, partner, settings)
    side = sides(placed, partners, settings)
    face = faces(placed, side)
    parts = units(placed, partner, side, face)
    spoken = {*given.names.values(), *(w.name for w in wanted)}
    kept = taken_over(earlier, placed, partner, given.names, spoken)
    named = given.names | kept.names
    names = all_names(parts, settings.zone_mm, named, spoken.union(w.name for w in earlier))
    remarks = _remarks(across, parts, named, settings)
    for row in alone(side, partner):
        remarks[row].append(_why_alone(row, placed, partners, settings))
    for row, said in remarks_on_tubes(placed, features, names):
        remarks[row].insert(0, said)
    tubes = {row: tuple(names[t] for t in of) for row, of in tubes_of(placed).items()}
    looks = {row: unit.face for unit in parts for row in unit.rows}
    patterns = groups(placed, sums, names, looks, features.noise, datum, settings)
    group = {name: g.name for g in patterns for name in g.holes}
    labels = Labels(names, partner, side, face, partner_axes(placed, partners), remarks, group, tubes)
    found = [labelled(placed, sums, labels, datum, row) for unit in parts for row in unit.rows]
    found, bolts = through(found, features.noise)
    absent = [missing(w, why) for w, why in given.missing.items()]
    values, covs = difference(sums, across, placed, features.noise, datum)
    pairs = {int(a): Pair(names[a], names[b], v, c) for a, b, v, c in zip(across.left, across.right, values, covs)}
    in_order = tuple(pairs[unit.rows[0]] for unit in parts if len(unit.rows) == 2)
    folded = len(features.found) - int((placed.found >= 0).sum())
    notes = (*_notes(folded, sums.share, partners, names, settings), *bolts, *given.notes, *kept.notes)
    notes = (*notes, *_missing_notes(given))
    bent = bent_tubes(placed, features, names, datum)
    if settings.mirror == "none":
        return MountPoints((*found, *absent), in_order, notes, patterns, bent=bent)
    unseen = [names[int(a)] for a in across.left[across.unseen]]
    asked = [*given.names.values(), *(w.name for w in given.missing)]
    even = symmetrised((*found, *absent), in_order, asked, unseen, settings.mirror)
    return MountPoints(even.points, in_order, (*notes, *even.notes), patterns, bent=bent)


def _both_ways(partners: Partners) -> dict[int, int]:
    pairs = list(zip(partners.left.tolist(), partners.right.tolist()))
    return dict(pairs) | {b: a for a, b in pairs}


def _remarks(
    across: Differences, parts: list[Unit], named: dict[int, str], settings: PointsSettings
) -> dict[int, list[str]]:
    """What to say in the note of a row, by row."""
    remarks: dict[int, list[str]] = defaultdict(list)
    for row in crowded(parts, settings.zone_mm):
        if row not in named:
            remarks[row].append("one of several alike within a centimetre: the count in its name may change")
    for a, b in zip(across.left[across.unseen].tolist(), across.right[across.unseen].tolist()):
        for row in (a, b):
            remarks[row].append("its partner is seen on the opposite face only")
    return remarks


def _why_alone(row: int, placed: Placed, partners: Partners, settings: PointsSettings) -> str:
    if placed.kind[row] == KINDS.index("tube-node"):
        return "on one side only: its tubes aren't both the partners, or mirror images, of such that meet"
    if row in partners.doubtful:
        return "on one side only: a like feature close by puts its partner in doubt"
    return f"on one side only: no like one free within {settings.pair_reach_mm:g} mm of its mirror image"


def _notes(
    folded: int, share: float, partners: Partners, names: dict[int, str], settings: PointsSettings
) -> list[Note]:
    notes = []
    if folded:
        notes.append(Note("points", "rims of brackets and sleeves: their holes are in the bracket's row", folded))
    if share < 0.99:
        text = f"the datum's covariance can't hold what its features put into it: taken times {share:.2f}"
        notes.append(Note("points", text))
    if len(partners.distance):
        told = [f"{names[a]} and {names[b]} ({d:.1f} mm)" for (a, b), d in zip(partners.doubtful, partners.distance)]
        text = f"left/right partners that a like feature close by puts in doubt, left unpaired: {', '.join(told)}"
        notes.append(Note("points", text, len(told), warning=True))
    return notes


def _missing_notes(given: Given) -> list[Note]:
    told = [f"{w.name} (row {w.row}): {why}" for w, why in given.missing.items()]
    return [Note("points", f"names without a feature: {'; '.join(told)}", len(told), warning=True)] if told else []
