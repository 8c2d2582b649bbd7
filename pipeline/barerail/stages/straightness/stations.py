"""The left and the right rail at the same places along the car."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.drift import between
from barerail.geometry.frames import direction, transform
from barerail.records import Array, Datum, Frozen, NoiseModel, Rail, Station, StationPair

ALONG, OFF_CENTRE = 0.7, 50.0
LOOSE_MM = 5.0
"""Standard uncertainty of a rail's centre above which its section was not seen well enough to be used (judgement)."""
REACH = 0.6
"""How far along its own straight piece a station may be read from its middle, in usual steps."""


@dataclass(frozen=True, eq=False)
class Side(Frozen):
    """The stations of one side in car axes, sorted by x: centre (n, 3), its covariance (n, 3, 3) in mm2, way (n, 3) the
    rail runs there, and roll (n,) in rad of the section with its variance (n,), nan where it has none.

    open: (3,) standard uncertainty in mm of a part of the centre that is the same all along, where one face of a pair
    was never seen (the open side of a channel): it cancels in most measures (`open_side`).
    """

    centre: Array
    cov: Array
    way: Array
    roll: Array
    roll_var: Array
    open: Array


def sides_of(rails: Sequence[Rail], datum: Datum) -> tuple[Side | None, Side | None]:
    """The left and the right side: the longest rail on each, and others that carry it on."""
    sides = [_side(rail, datum) for rail in rails if rail.stations]
    sides = [s for s in sides if len(s.centre) > 1]
    left, right = ([s for s in sides if k * np.median(s.centre[:, 1]) > OFF_CENTRE] for k in (1, -1))
    return _carried_on(left), _carried_on(right)


def _side(rail: Rail, datum: Datum) -> Side:
    """One rail in car axes; stations that run across the car left out."""
    m = datum.car_from_scan
    axes = np.array([direction(m, s.axes) for s in rail.stations])
    axes[:, 0] *= np.sign(axes[:, :1, 0])
    centre = transform(m, np.array([s.centre for s in rail.stations]))
    section, unknown, agree = _seen(rail.stations)
    cov = np.einsum("nki,nkl,nlj->nij", axes[:, 1:], section, axes[:, 1:])
    open_ = np.abs(np.median(axes[:, 1:], axis=0) * unknown[:, None]).max(0)
    roll, variance = _roll(axes, rail)
    order = np.argsort(centre[:, 0], kind="stable")
    order = order[agree[order] & (axes[order, 0, 0] > ALONG)]
    return Side(centre[order], cov[order], axes[order, 0], roll[order], variance[order], open_)


def _seen(stations: tuple[Station, ...]) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Covariances (n, 2, 2) of the centre along b and c, what (2,) of it is one unknown for the whole rail in mm, and
    the stations (n,) that agree in it.

    Where most stations lack a face of a pair (the open side of a channel) their centres are read off the other face,
    the same one all along: the unknown rest cancels along the rail, and the other direction's variance stands for it.
    """
    seen = np.array([s.seen for s in stations]).reshape(-1, 2, 2)
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
        centre, cov, way, roll, roll_var = (p[order] for p in parts)
        whole = Side(centre, cov, way, roll, roll_var, np.maximum(whole.open, s.open))
    return whole


def _fields(side: Side) -> tuple[Array, ...]:
    return side.centre, side.cov, side.way, side.roll, side.roll_var


def pairs_at(left: Side, right: Side, noise: NoiseModel) -> tuple[StationPair, ...]:
    """Each left station with the nearest right one, both read half-way between them along their own straight pieces.

    A bend between stations therefore costs nothing. The twist angle is atan(dz / dy) of the centres; its U holds the
    fits and the drift between left and right.
    """
    step = float(np.median(np.diff(left.centre[:, 0]))) if len(left.centre) > 1 else 0.0
    out = []
    for i, x in enumerate(left.centre[:, 0]):
        j = int(np.argmin(np.abs(right.centre[:, 0] - x)))
        if abs(right.centre[j, 0] - x) < 2 * REACH * step:
            out.append(_pair(left, i, right, j, noise))
    return tuple(out)


def _at(side: Side, i: int, x: float) -> Array:
    return side.centre[i] + side.way[i] * (x - side.centre[i, 0]) / side.way[i, 0]


def _pair(left: Side, i: int, right: Side, j: int, noise: NoiseModel) -> StationPair:
    x = float(left.centre[i, 0] + right.centre[j, 0]) / 2
    a, b = _at(left, i, x), _at(right, j, x)
    width = float(np.hypot(*(a - b)[1:]))
    variance = left.cov[i, 2, 2] + right.cov[j, 2, 2] + between(noise, width)
    rolls = (float(np.degrees(left.roll[i])), float(np.degrees(right.roll[j])))
    twist, u = float(np.degrees(np.arctan2(a[2] - b[2], a[1] - b[1]))), 2 * float(np.degrees(np.sqrt(variance) / width))
    held = max(np.diag(left.cov[i])[1:].max(), np.diag(right.cov[j])[1:].max()) < LOOSE_MM**2
    return StationPair(x, a, b, rolls, twist, u, bool(held), left.cov[i], right.cov[j])


def unused(pairs: tuple[StationPair, ...], out: Array) -> tuple[StationPair, ...]:
    """The same pairs with `used` off where `out` (n,) says so."""
    return tuple(replace(p, used=p.used and not o) for p, o in zip(pairs, out))
