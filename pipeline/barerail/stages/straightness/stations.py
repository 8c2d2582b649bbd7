"""The left and the right rail at the same places along the car."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.frames import direction, transform
from barerail.records import Array, Datum, Features, Frozen, NoiseModel, Rail, Station, StationPair

ALONG, OFF_CENTRE = 0.7, 50.0
KINK_MM = 0.3
"""Stations whose lines miss each other by more than this have a bend between them: no place to read a height."""
GAP = 2.2
"""Stations further apart than this many usual steps are not read between."""


@dataclass(frozen=True, eq=False)
class Side(Frozen):
    """The stations of one side in car axes, sorted by x: centre (n, 3), its covariance (n, 3, 3) in mm2, and roll (n,)
    in rad of the section with its variance (n,), nan where it has none.

    open: (3,) standard uncertainty in mm of a part of the centre that is the same all along, where one face of a pair
    was never seen (the open side of a channel): it cancels in everything but the gauge width.
    """

    centre: Array
    cov: Array
    roll: Array
    roll_var: Array
    open: Array


def sides_of(features: Features, datum: Datum) -> tuple[Side | None, Side | None]:
    """The left and the right side: the longest rail on each, and others that carry it on."""
    sides = [_side(rail, datum) for rail in features.rails if rail.stations]
    sides = [s for s in sides if len(s.centre) > 1]
    left, right = ([s for s in sides if k * np.median(s.centre[:, 1]) > OFF_CENTRE] for k in (1, -1))
    return _carried_on(left), _carried_on(right)


def _side(rail: Rail, datum: Datum) -> Side:
    """One rail in car axes; stations that run across the car left out."""
    m = datum.car_from_scan
    axes = np.array([direction(m, s.axes) for s in rail.stations])
    axes[:, 0] *= np.sign(axes[:, :1, 0])
    centre = transform(m, np.array([s.centre for s in rail.stations]))
    section, unknown, agree = _seen(rail.stations, axes)
    cov = np.einsum("nki,nkl,nlj->nij", axes[:, 1:], section, axes[:, 1:])
    open_ = np.abs(np.median(axes[:, 1:], axis=0) * unknown[:, None]).max(0)
    roll, variance = _roll(axes, rail)
    order = np.argsort(centre[:, 0], kind="stable")
    order = order[agree[order] & (axes[order, 0, 0] > ALONG)]
    return Side(centre[order], cov[order], roll[order], variance[order], open_)


def _seen(stations: tuple[Station, ...], axes: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Covariances (n, 2, 2) of the centre along b and c, what (2,) of it is one unknown for the whole rail in mm, and
    the stations (n,) that agree in it.

    Where most stations lack a face of a pair (the open side of a channel) their centres are read off the other face,
    the same one all along: the unknown rest cancels along the rail, and the other direction's variance stands for it.
    """
    seen = np.array([s.seen for s in stations]).reshape(-1, 2, 2)
    turned = np.einsum("nki,ki->nk", axes[:, 1:], axes[0, 1:]) < 0
    seen = np.where(turned[:, :, None], seen[:, :, ::-1], seen)
    section = np.array([s.cov[:2, :2] for s in stations])
    unknown, agree = np.zeros(2), np.ones(len(stations), bool)
    for k in (0, 1):
        lacking = ~seen[:, k].all(1)
        if lacking.mean() > 0.5:
            face = int(seen[lacking, k].sum(0).argmax())
            agree &= lacking & seen[:, k, face]
            unknown[k] = float(np.sqrt(np.median(section[lacking, k, k])))
            other = section[:, 1 - k, 1 - k].copy()
            section[:, k, :] = section[:, :, k] = 0.0
            section[:, k, k] = other
    return section, unknown, agree


def _roll(axes: Array, rail: Rail) -> tuple[Array, Array]:
    """Height angle (n,) of the section's sideways face direction, positive where its left edge is the higher one."""
    n = len(axes)
    if rail.section == "tube":
        return np.full(n, np.nan), np.full(n, np.nan)
    sideways = axes[np.arange(n), 1 + np.argmax(np.abs(axes[:, 1:, 1]), axis=1)]
    sideways = sideways * np.sign(sideways[:, 1:2])
    return np.arctan2(sideways[:, 2], sideways[:, 1]), np.array([s.cov[2, 2] for s in rail.stations])


def _carried_on(sides: list[Side]) -> Side | None:
    """The longest one, with the others where those cover other x."""
    sides = sorted(sides, key=lambda s: -float(np.ptp(s.centre[:, 0])))
    if not sides:
        return None
    whole = sides[0]
    for s in sides[1:]:
        new = (s.centre[:, 0] > whole.centre[-1, 0] + 20) | (s.centre[:, 0] < whole.centre[0, 0] - 20)
        parts = [np.concatenate([a, b[new]]) for a, b in zip(_fields(whole), _fields(s))]
        order = np.argsort(parts[0][:, 0], kind="stable")
        centre, cov, roll, roll_var = (p[order] for p in parts)
        whole = Side(centre, cov, roll, roll_var, np.maximum(whole.open, s.open))
    return whole


def _fields(side: Side) -> tuple[Array, ...]:
    return side.centre, side.cov, side.roll, side.roll_var


def pairs_at(left: Side, right: Side, noise: NoiseModel) -> tuple[StationPair, ...]:
    """The left rail's stations, each with the right rail read at its x; not used where either has a bend right there.

    The twist angle is atan(dz / dy) of the centres; its U holds the fits and the drift between left and right.
    """
    out = []
    for i, x in enumerate(left.centre[:, 0]):
        there = _read(right, float(x))
        if there is not None:
            centre, cov, roll, straight = there
            straight = straight and _straight(left, i)
            out.append(_pair(float(x), left, i, centre, cov, roll, straight, noise))
    return tuple(out)


def _pair(
    x: float, left: Side, i: int, right: Array, cov: Array, roll: float, used: bool, noise: NoiseModel
) -> StationPair:
    d = left.centre[i] - right
    width = float(np.hypot(d[1], d[2]))
    variance = left.cov[i, 2, 2] + cov[2, 2] + slow(noise, width)
    rolls = (float(np.degrees(left.roll[i])), float(np.degrees(roll)))
    twist, u = float(np.degrees(np.arctan2(d[2], d[1]))), 2 * float(np.degrees(np.sqrt(variance) / width))
    return StationPair(x, left.centre[i], right, rolls, twist, u, used, left.cov[i], cov)


def slow(noise: NoiseModel, apart: float) -> float:
    """Variance in mm2, per coordinate, that the scanner's slow error puts between two points `apart` mm:
    2 drift_mm^2 + (drift_mm_per_m apart / 1000)^2. For points under a metre apart much of the first part is common to
    both, so this is on the safe side."""
    return 2 * noise.drift_mm**2 + (noise.drift_mm_per_m * apart / 1000) ** 2


def _read(side: Side, x: float) -> tuple[Array, Array, float, bool] | None:
    """Centre, covariance and roll of a rail at `x` between two stations, and whether it is straight there."""
    xs = side.centre[:, 0]
    j = int(np.searchsorted(xs, x))
    if j == 0 or j == len(xs) or xs[j] - xs[j - 1] > GAP * float(np.median(np.diff(xs))):
        return None
    i, share = j - 1, float((x - xs[j - 1]) / (xs[j] - xs[j - 1]))
    centre = _line(side, i, j, x)
    cov = (1 - share) ** 2 * side.cov[i] + share**2 * side.cov[j]
    roll = (1 - share) * side.roll[i] + share * side.roll[j]
    miss = [np.abs(_line(side, k, k + 1, x) - centre).max() for k in (i - 1, j) if 0 <= k < len(xs) - 1]
    return centre, cov, float(roll), bool(max(miss, default=0.0) < KINK_MM)


def _line(side: Side, i: int, j: int, x: float) -> Array:
    """Where the straight line through stations i and j is at x."""
    a, b = side.centre[i], side.centre[j]
    return a + (b - a) * (x - a[0]) / (b[0] - a[0])


def _straight(side: Side, i: int) -> bool:
    """Whether station i lies on a line of two neighbours: a section astride a bend has no one height."""
    n, x = len(side.centre), float(side.centre[i, 0])
    lines = [(j, k) for j, k in ((i - 2, i - 1), (i + 1, i + 2)) if j >= 0 and k < n]
    miss = [np.abs(_line(side, j, k, x) - side.centre[i]).max() for j, k in lines]
    return bool(min(miss, default=0.0) < KINK_MM)


def unused(pairs: tuple[StationPair, ...], out: Array) -> tuple[StationPair, ...]:
    """The same pairs with `used` off where `out` (n,) says so."""
    return tuple(replace(p, used=p.used and not o) for p, o in zip(pairs, out))
