"""Geometric least-squares slot: two half circles joined by straight sides (a stadium) in a plane."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.geometry.leastsquares import inverse_normal, solve
from barerail.records import Array


@dataclass(frozen=True, eq=False)
class SlotFit:
    """centre (2,); angle of the long direction from x, rad in (-pi/2, pi/2]; half the distance of the arc centres
    and end radius, mm, so width = 2 radius and overall length = 2 (half_length + radius).

    residuals (n,): distance outside, mm. jacobian (n, 5): by (x, y, angle, half_length, radius). weights (n,).
    """

    centre: Array
    angle: float
    half_length: float
    radius: float
    residuals: Array
    jacobian: Array
    weights: Array
    converged: bool

    @property
    def along(self) -> Array:
        """Unit long direction (2,)."""
        return np.array([np.cos(self.angle), np.sin(self.angle)])


def fit_slot(xy: ArrayLike, start: ArrayLike | None = None, robust: bool = False) -> SlotFit:
    """Slot with the least sum of squared distances to `xy` (n, 2), mm.

    start (x, y, angle, half_length, radius): from the spread of the points where not given. robust: Tukey weights.
    DataError for fewer than 5 points, or ones that leave a number open (a full circle, one side only).
    """
    p = np.asarray(xy, float)
    if len(p) < 5:
        raise DataError(f"a slot needs at least 5 points, got {len(p)}")
    middle = p.mean(axis=0)
    q = p - middle
    guess = _start(q) if start is None else np.array(start, float) - [*middle, 0.0, 0.0, 0.0]
    s = solve(lambda x: _distance(q, x)[0], lambda x: _distance(q, x)[1], guess, loss="tukey" if robust else None)
    x = np.array([*s.x[:3], abs(s.x[3]), s.x[4]])
    angle, half, radius = map(float, x[2:])
    if not half > 1e-9 * radius > 0:
        raise DataError(f"a slot from {len(p)} points: they fit no longer sides than a circle's")
    residuals, jacobian = _distance(q, x)
    inverse_normal(jacobian, s.weights)
    angle -= np.pi * np.ceil(angle / np.pi - 0.5)
    return SlotFit(middle + x[:2], angle, half, radius, residuals, jacobian, s.weights, s.converged)


def _distance(q: Array, x: Array) -> tuple[Array, Array]:
    """Distance outside the slot (n,) and its derivative (n, 5)."""
    c, s = np.cos(x[2]), np.sin(x[2])
    u, v = np.array([[c, s], [-s, c]]) @ (q - x[:2]).T
    end = u - np.clip(u, -abs(x[3]), abs(x[3]))
    away = np.hypot(end, v)
    safe = np.maximum(away, 1e-300)
    nu, nv = end / safe, v / safe
    stretch = -np.abs(nu) * np.copysign(1.0, x[3])
    columns = [s * nv - c * nu, -s * nu - c * nv, nu * v - nv * u, stretch, -np.ones(len(q))]
    return away - x[4], np.column_stack(columns)


def _start(q: Array) -> Array:
    """Long direction by the spread, middle and size by the middle of the extents along and across it."""
    u, v = np.linalg.eigh(q.T @ q)[1].T[::-1]
    along, across = q @ u, q @ v
    length, radius = np.ptp(along) / 2, np.ptp(across) / 2
    centre = (along.min() + length) * u + (across.min() + radius) * v
    return np.array([*centre, np.arctan2(u[1], u[0]), max(length - radius, 0.05 * radius), radius])
