"""Automatic names that last: kind, place, face, side.

`hole-f08-down-L` is the only hole facing down in the zone of 100 mm about 0.8 m forward of the origin (f forward,
a aft). Its right partner is `hole-f08-down-R`: a stem belongs to one pair, or to one feature without a partner (-C on
the centre plane). Where several share a zone, each takes its own place in centimetres, in as many directions as it
takes: along (`hole-f082-down-L`, x = 820 mm), then out from the centre plane (`hole-f082-y35-down-L`), then up or down
(`hole-f082-y35-u12-down-L`). Only what shares a centimetre in all three is counted: `...-2-L`.

So a name says where its feature is, and never moves on to the next hole when one appears or vanishes, as a count
along a row would. Rounding has edges: a feature that moves by m mm between scans gets a new name, never another's,
with a chance of m / 100 (about m / 10 in a shared zone). Names files have no such edges. Tubes and rails along the
car have no station, for their middle depends on how much was seen.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from barerail.records import Array, Index

CENTIMETRE = 10.0
LINK_MM = 5.0


@dataclass(frozen=True)
class Unit:
    """A pair (left, right) or a single feature: its rows with their sides, and what names it.

    x, height (z) and out (|y|): mean of the members, mm. station: False for a tube or rail along the car.
    """

    rows: tuple[int, ...]
    sides: tuple[str, ...]
    kind: str
    face: str
    x: float
    height: float
    out: float
    station: bool


def all_names(
    units: Sequence[Unit], zone_mm: float, given: Mapping[int, str], absent: Iterable[str] = ()
) -> dict[int, str]:
    """Name of each row of the units: the one `given`, else an automatic one, not among the given or `absent` names."""
    stems = _stems(units, zone_mm)
    taken, names = {*given.values(), *absent}, dict(given)
    used = set(stems)
    for unit, stem in zip(units, stems):
        open_rows = [(row, side) for row, side in zip(unit.rows, unit.sides) if row not in given]
        name, count = stem, 2
        while any(f"{name}-{side}" in taken for _, side in open_rows) or (name != stem and name in used):
            name, count = f"{stem}-{count}", count + 1
        used.add(name)
        names |= {row: f"{name}-{side}" for row, side in open_rows}
    return names


def crowded(units: Sequence[Unit], zone_mm: float) -> list[int]:
    """Rows whose automatic name rests on a count: alike, and in one centimetre."""
    groups = _groups(range(len(units)), _labels(units, zone_mm))
    return [row for alike in groups if len(alike) > 1 for i in alike for row in units[i].rows]


def _stems(units: Sequence[Unit], zone_mm: float) -> list[str]:
    """A stem for each unit, all different: its label, and a count from the top, then from outside, from the front."""
    labels = _labels(units, zone_mm)
    stems = list(labels)
    for alike in _groups(range(len(units)), labels):
        where = np.array([(-units[i].height, -units[i].out, -units[i].x) for i in alike])
        for count, k in enumerate(steady_order(where)):
            stems[alike[k]] = labels[alike[k]] + (f"-{count + 1}" if count else "")
    return stems


def _labels(units: Sequence[Unit], zone_mm: float) -> list[str]:
    """Kind, place and face of each unit, the place as fine as it takes to tell it from the rest."""
    labels = [_label(unit, zone_mm, 0) for unit in units]
    for level in (1, 2, 3):
        count = Counter(labels)
        labels = [x if count[x] == 1 else _label(unit, zone_mm, level) for unit, x in zip(units, labels)]
    return labels


def _label(unit: Unit, zone_mm: float, level: int) -> str:
    """Level 0 has the zone, in decimetres; 1 x in centimetres, 2 |y| too, 3 z too."""
    zone = _signed("fa", zone_mm * np.rint(unit.x / zone_mm) / 100.0, 2)
    station = zone if level == 0 else _signed("fa", unit.x / CENTIMETRE, 3)
    fine = [f"y{round(unit.out / CENTIMETRE):02d}", _signed("ud", unit.height / CENTIMETRE, 2)][: max(level - 1, 0)]
    return "-".join(filter(None, (unit.kind, station if unit.station else "", *fine, unit.face)))


def _signed(letters: str, value: float, digits: int) -> str:
    """The first letter, or the second below zero, and the rounded size."""
    whole = round(float(value))
    return f"{letters[whole < 0]}{abs(whole):0{digits}d}"


def steady_order(where: Array) -> list[int]:
    """Order of rows (n, k), mm, by the first column, then the next: values closer than 5 mm in a chain count as equal.

    So noise of a few tenths doesn't turn the order round.
    """
    return _ordered(where, np.arange(len(where)), 0)


def _ordered(where: Array, rows: Index, column: int) -> list[int]:
    if len(rows) < 2:
        return rows.tolist()
    if column == where.shape[1]:
        return rows[np.lexsort(where[rows].T[::-1])].tolist()
    rows = rows[np.argsort(where[rows, column], kind="stable")]
    cuts = np.flatnonzero(np.diff(where[rows, column]) > LINK_MM) + 1
    return [i for part in np.split(rows, cuts) for i in _ordered(where, part, column + 1)]


def _groups(members: Iterable[int], key: Sequence[str]) -> list[list[int]]:
    groups: dict[str, list[int]] = defaultdict(list)
    for i in members:
        groups[key[i]].append(i)
    return list(groups.values())
