"""Repeated scans: how much of the spread is one scanner's own, how much the operators', how much the cars'."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from barerail.records import Array, Car, GaugeSplit


class Anova(NamedTuple):
    """Mean squares and degrees of freedom of a balanced two-way crossed layout with repeats."""

    rows: float
    columns: float
    both: float
    error: float
    degrees: tuple[int, int, int, int]


def anova(values: Array) -> Anova:
    """Two-way crossed analysis of variance of values (a, b, r): a cars, b operators, r repeats, r at least 2.

    Standard fixed layout, e.g. NIST/SEMATECH e-Handbook of Statistical Methods, 3.2.3.2.
    """
    a, b, r = values.shape
    grand, cell = values.mean(), values.mean(axis=2)
    row, column = cell.mean(axis=1), cell.mean(axis=0)
    rows = b * r * ((row - grand) ** 2).sum()
    columns = a * r * ((column - grand) ** 2).sum()
    both = r * ((cell - row[:, None] - column + grand) ** 2).sum()
    error = ((values - cell[:, :, None]) ** 2).sum()
    degrees = (a - 1, b - 1, (a - 1) * (b - 1), a * b * (r - 1))
    sums = (rows, columns, both, error)
    r1, c1, b1, e1 = (float(s) / max(d, 1) for s, d in zip(sums, degrees))
    return Anova(r1, c1, b1, e1, degrees)


def components(table: Anova, shape: tuple[int, int, int]) -> tuple[float, float, float]:
    """Standard deviations of repeats, of operators (their own and with the cars), and of cars; random effects.

    From expected mean squares; a variance that comes out negative is 0 (usual convention).
    """
    a, b, r = shape
    error = table.error
    both = max((table.both - error) / r, 0.0) if a > 1 and b > 1 else 0.0
    against = table.both if a > 1 and b > 1 else error
    operators = max((table.columns - against) / (a * r), 0.0) if b > 1 else 0.0
    cars = max((table.rows - against) / (b * r), 0.0) if a > 1 else 0.0
    return error**0.5, (operators + both) ** 0.5, cars**0.5


def gauge(cars: Sequence[Car], names: Sequence[str]) -> tuple[GaugeSplit, ...]:
    """The split for each named point and axis, where every car was scanned as often by every operator; else none."""
    layout: dict[tuple[str, str], list[Car]] = {}
    for c in cars:
        layout.setdefault((c.car, c.operator), []).append(c)
    rows = sorted({car for car, _ in layout})
    columns = sorted({operator for _, operator in layout})
    counts = {len(v) for v in layout.values()}
    if "" in rows or len(layout) != len(rows) * len(columns) or counts in ({1}, set()) or len(counts) != 1:
        return ()
    out = []
    for name in names:
        found = [[[_place(c, name) for c in layout[car, op]] for op in columns] for car in rows]
        values = np.array(found)
        if np.isfinite(values).all():
            for k, axis in enumerate("xyz"):
                shape = values.shape[:3]
                out.append(GaugeSplit(name, axis, *components(anova(values[..., k]), shape)))
    return tuple(out)


def _place(car: Car, name: str) -> Array:
    return car.at[car.names.index(name)] if name in car.names else np.full(3, np.nan)
