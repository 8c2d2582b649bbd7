"""Series: how named points and lengths vary from car to car, and what a part that is to fit them all needs."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.stats import chi2

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import best_fit_rigid, transform
from barerail.geometry.robust import mad_scale
from barerail.records import Array, Car, Note, PointSpread, Series, Spread, Zone
from barerail.settings import SeriesSettings

from .gauge import gauge
from .spread import spread, too_large
from .tolerance import factor

__all__ = ["series"]

FEWEST = 3
ODD = 0.001
"""Chance that a car is named odd though it belongs, over all its points together (judgement)."""
LEAST_MM = 0.05
"""Scatter that any car is granted (judgement)."""
HOLES = ("hole", "slot", "bolt-axis", "sleeve", "stud")


def series(cars: Sequence[Car], settings: SeriesSettings) -> Series:
    """Spread over the cars, all in the same axes, of every named point and of the lengths asked for.

    Cars whose points lie off the others' by more than chance are named, and the result is given with and without them.
    UsageError for a length between names that no car has; DataError with fewer than three cars.
    """
    if len(cars) < FEWEST:
        raise DataError(
            f"series: named points were found in {len(cars)} of the scans, at least {FEWEST} are needed to say how "
            "cars vary; points.csv of a scan's job says at its end why a name found nothing"
        )
    whole = _of(cars, settings)
    odd = _odd(cars)
    kept = [c for c in cars if c.scan not in odd]
    without = _of(kept, settings) if odd and len(kept) >= FEWEST else None
    return replace(whole, odd=odd, without_odd=without)


def _of(cars: Sequence[Car], settings: SeriesSettings) -> Series:
    names = list(dict.fromkeys(name for c in cars for name in c.names))
    points = tuple(_point(cars, name) for name in names)
    lengths = {f"{a} - {b}": _length(cars, a, b) for a, b in settings.lengths}
    zones = [z for p in points if p.kind in HOLES and p.axes[0].n >= FEWEST for z in _zones(p, settings)]
    zones += _patterns(cars, settings)
    notes = [Note("series", "positions in each car's own datum: its U is in own_U, so is the scanner's drift")]
    lacking = [f"{p.name} ({p.axes[0].n})" for p in points if p.axes[0].n < len(cars)]
    if lacking:
        notes.append(Note("series", f"not found in every scan: {', '.join(lacking)}", len(lacking), warning=True))
    notes += _too_large(points)
    return Series(len(cars), points, lengths, tuple(zones), gauge(cars, names), {}, None, tuple(notes), cars[0].axes)


def _too_large(points: Sequence[PointSpread]) -> list[Note]:
    """Says so where values scatter by less than their own U allows."""
    count = sum(too_large(v) for p in points for v in p.axes)
    text = (
        f"{count} of {3 * len(points)} coordinates scatter by less than their own U says, of which the drift is "
        "a setting: where U is too large, the cars' own sd is nearer to the end of its interval"
    )
    return [Note("series", text, count)] if count else []


def _point(cars: Sequence[Car], name: str) -> PointSpread:
    mine = [(c, c.names.index(name)) for c in cars if name in c.names]
    at = np.array([c.at[i] for c, i in mine])
    own = np.array([c.cov[i] for c, i in mine])
    axes = tuple(spread(at[:, k], np.sqrt(own[:, k, k])) for k in range(3))
    cov = np.cov(at.T) if len(at) > 1 else np.full((3, 3), np.nan)
    first, row = mine[0]
    diameter = np.array([c.diameter[i] for c, i in mine])
    u = 2 * float(np.sqrt(np.mean([c.u_diameter[i] ** 2 for c, i in mine])))
    scans = tuple(c.scan for c, _ in mine)
    three = (axes[0], axes[1], axes[2])
    return PointSpread(name, first.kinds[row], three, cov, float(diameter.mean()), u, scans, at, own)


def _length(cars: Sequence[Car], a: str, b: str) -> Spread:
    """Of the straight distance; its own U from both points' as if nothing cancelled: on the safe side."""
    both = [(c, c.names.index(a), c.names.index(b)) for c in cars if a in c.names and b in c.names]
    if not both:
        raise UsageError(f"series: length {a} - {b}: no scan has both; the names stand in series.csv")
    values, own = [], []
    for c, i, j in both:
        d = c.at[i] - c.at[j]
        way = d / np.linalg.norm(d)
        values.append(float(np.linalg.norm(d)))
        own.append(float(way @ (c.cov[i] + c.cov[j]) @ way) ** 0.5)
    return spread(np.array(values), np.array(own))


def _zones(p: PointSpread, settings: SeriesSettings) -> list[Zone]:
    """For each share of the cars: the zone of the point's place, across the worst direction of its scatter.

    The cars' own covariance, the measurement's taken off, its largest standard deviation times the tolerance factor,
    both ways: normal scatter, cars drawn at random from all.
    """
    worst, told = _worst(p.cov, p.own.mean(axis=0))
    about = (p.name, p.kind, p.diameter, p.U_diameter)
    return [_zone(about, p.axes[0].n, worst, share, settings.confidence, told) for share in settings.shares]


def _worst(seen: Array, own: Array) -> tuple[float, bool]:
    """Largest standard deviation of the cars' own scatter, and True; of what was seen, and False, where it is lost in
    the measurement's."""
    between, noise = (float(np.linalg.eigvalsh(m)[-1]) for m in (seen - own, own))
    told = between > noise
    return float(np.sqrt(between if told else np.linalg.eigvalsh(seen)[-1])), told


def _zone(
    about: tuple[str, str, float, float], n: int, worst: float, share: float, confidence: float, told: bool
) -> Zone:
    k = factor(n, share, confidence)
    return Zone(*about, share, confidence, k, 2 * k * worst, told)


def _patterns(cars: Sequence[Car], settings: SeriesSettings) -> list[Zone]:
    """Holes that share one plate: what is left of each after the plate is moved to fit each car best."""
    out = []
    for name, holes in settings.patterns.items():
        mine = [c for c in cars if all(h in c.names for h in holes)]
        if len(mine) < FEWEST or len(holes) < 2:
            raise UsageError(f"series: pattern {name}: {len(mine)} scans have all its holes, {FEWEST} are needed")
        at = np.array([[c.at[c.names.index(h)] for h in holes] for c in mine])
        own = np.array([[c.cov[c.names.index(h)] for h in holes] for c in mine]).mean(axis=0)
        mean = at.mean(axis=0)
        left = np.array([transform(best_fit_rigid(a, mean), a) - mean for a in at])
        free = max(len(mine) - 1, 1) * max(3 * len(holes) - 6, 1) / (3 * len(holes))
        worst, told = max(_worst(left[:, i].T @ left[:, i] / free, own[i]) for i in range(len(holes)))
        about = (name, "pattern", float("nan"), float("nan"))
        out += [_zone(about, len(mine), worst, share, settings.confidence, told) for share in settings.shares]
    return out


def _odd(cars: Sequence[Car]) -> dict[str, str]:
    """Cars that lie off the median car by more than the others' scatter, and their own U, allow, and where most.

    By what has a place of its own: the middle of a rail or tube lies where its ends were seen.
    """
    seen = [{n: i for i, (n, kind) in enumerate(zip(c.names, c.kinds)) if kind in HOLES} for c in cars]
    names = [n for n in dict.fromkeys(n for rows in seen for n in rows) if sum(n in rows for rows in seen) >= 5]
    if len(cars) < 5 or not names:
        return {}
    table, own = np.full((2, len(cars), len(names), 3), np.nan)
    for c, rows, at, u in zip(cars, seen, table, own):
        there = [k for k, n in enumerate(names) if n in rows]
        mine = [rows[names[k]] for k in there]
        at[there], u[there] = c.at[mine], np.sqrt(np.einsum("nii->ni", c.cov[mine]))
    away = table - np.nanmedian(table, axis=0)
    scale = np.apply_along_axis(lambda v: mad_scale(v[np.isfinite(v)]), 0, away)
    out = {}
    for c, row, u in zip(cars, away, own):
        off = row / np.maximum(np.maximum(scale, u), LEAST_MM)
        known = np.isfinite(off)
        size = float((np.minimum(off[known] ** 2, 1e6)).sum())
        if size > float(chi2.ppf(1 - ODD, known.sum())) * 2:
            i, k = np.unravel_index(int(np.nanargmax(np.abs(off))), off.shape)
            out[c.scan] = (
                f"{names[i]} lies {row[i, k]:+z.1f} mm in {'xyz'[k]} off the middle car; the others scatter by "
                f"{max(scale[i, k], LEAST_MM):.2f} mm, own U {2 * u[i, k]:.2f} mm"
            )
    return out
