"""Stations of the left and the right rail brought to one x of the car."""

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.records import Array, Datum, Features, Rail, StationPair

SLOPE_STEP = 0.03
"""Change of a rail's slope from one station to the next above which it bends there and can't be interpolated."""
GAP = 1.6
"""Longest step between stations, in usual steps, across which a rail is interpolated."""


def paired(features: Features, datum: Datum) -> tuple[StationPair, ...]:
    """Station pairs rear to front where both rails run; `used` where both are straight and without a gap there."""
    sides = _sides(features, datum)
    if sides is None:
        return ()
    left, right = sides
    low = max(left.centre[0, 0], right.centre[0, 0])
    high = min(left.centre[-1, 0], right.centre[-1, 0])
    step = float(np.median(np.abs(np.diff(left.centre[:, 0]))))
    count = int((high - low) // step) + 1 if high > low else 0
    return tuple(_pair(left, right, x, step) for x in low + step * np.arange(count))


class _Side:
    """One rail in car axes, rear to front: centre (n, 3), cov (n, 3, 3) of it, roll (n,) deg."""

    def __init__(self, rail: Rail, datum: Datum) -> None:
        t = datum.car_from_scan
        centre = transform(t, np.array([s.centre for s in rail.stations]))
        order = np.argsort(centre[:, 0], kind="stable")
        stations = [rail.stations[i] for i in order]
        self.centre: Array = centre[order]
        self.cov = np.array([_cov(direction(t, s.axes), s.cov) for s in stations])
        self.roll = np.array([_roll(direction(t, s.axes)) for s in stations])

    def at(self, x: float) -> tuple[Array, Array, float]:
        """Centre, its covariance and the roll at x, between the stations either side."""
        k = int(np.clip(np.searchsorted(self.centre[:, 0], x) - 1, 0, len(self.centre) - 2))
        a, b = self.centre[k], self.centre[k + 1]
        w = float(np.clip((x - a[0]) / max(b[0] - a[0], 1e-9), 0, 1))
        centre = (1 - w) * a + w * b
        cov = (1 - w) ** 2 * self.cov[k] + w**2 * self.cov[k + 1]
        return centre, cov, float((1 - w) * self.roll[k] + w * self.roll[k + 1])

    def straight(self, x: float, step: float) -> bool:
        """False where the rail bends or has a gap beside x."""
        k = int(np.clip(np.searchsorted(self.centre[:, 0], x) - 1, 0, len(self.centre) - 2))
        around = self.centre[max(k - 1, 0) : k + 3]
        run = np.diff(around, axis=0)
        slope = run[:, 1:] / np.maximum(np.abs(run[:, :1]), 1e-9)
        return bool((run[:, 0] < GAP * step).all() and (np.abs(np.diff(slope, axis=0)) < SLOPE_STEP).all())


def _sides(features: Features, datum: Datum) -> tuple[_Side, _Side] | None:
    """The longest rail on either side, or None where one has none of two stations or more."""
    rails = [_Side(r, datum) for r in features.rails if len(r.stations) >= 2]
    left = [r for r in rails if np.median(r.centre[:, 1]) > 20]
    right = [r for r in rails if np.median(r.centre[:, 1]) < -20]
    if not left or not right:
        return None
    return max(left, key=lambda r: np.ptp(r.centre[:, 0])), max(right, key=lambda r: np.ptp(r.centre[:, 0]))


def _cov(axes: Array, cov: Array) -> Array:
    across = axes[1:]
    return across.T @ cov[:2, :2] @ across


def _roll(axes: Array) -> float:
    """Turn in deg about x of the section's side nearest to up, positive where its left edge is the higher one."""
    up = max((axes[1], axes[2]), key=lambda a: abs(a[2]))
    up = up * np.sign(up[2])
    return float(np.degrees(np.arctan2(-up[1], up[2])))


def _pair(left: _Side, right: _Side, x: float, step: float) -> StationPair:
    (a, cov_a, roll_a), (b, cov_b, roll_b) = left.at(x), right.at(x)
    width = max(float(a[1] - b[1]), 1.0)
    u = np.degrees(np.sqrt(cov_a[2, 2] + cov_b[2, 2]) / width)
    angle = float(np.degrees(np.arctan2(a[2] - b[2], width)))
    used = left.straight(x, step) and right.straight(x, step)
    return StationPair(float(x), a, b, (roll_a, roll_b), angle, float(2 * u), used, cov_a, cov_b)
