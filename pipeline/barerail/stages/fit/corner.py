"""The corner that the axes of two straight tubes make, and the arcs that touch both."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.frames import unit
from barerail.geometry.line import closest
from barerail.records import Array, Feature, Frozen


@dataclass(frozen=True, eq=False)
class Corner(Frozen):
    """at: mid of the closest approach of both axes. axes (3, 3): rows across the corner towards the first tube, into
    the corner, out of its plane. turn: angle of the bend, rad. away: distances of both tubes' middles from the corner,
    mm. gap: distance of the axes.

    Below, local (n, 3) are places in these axes about `at`, and radius is that of the centreline in the bend, mm.
    """

    at: Array
    axes: Array
    turn: float
    away: tuple[float, float]
    gap: float

    def local(self, points: Array) -> Array:
        return (points - self.at) @ self.axes.T

    def back(self, radius: float) -> float:
        """How far from the corner the arc begins on either side, mm."""
        return float(radius * np.tan(self.turn / 2))

    def angle(self, local: Array, radius: float) -> Array:
        """Place along the arc (n,), rad, from -turn / 2 to turn / 2."""
        return np.arctan2(local[:, 0], self._centre(radius) - local[:, 1])

    def within(self, local: Array, radius: float) -> NDArray[np.bool_]:
        return np.abs(self.angle(local, radius)) < self.turn / 2

    def section(self, local: Array, radius: float) -> Array:
        """Places (n, 2) in the section of the tube about the arc: away from the bend's centre, and out of plane."""
        return np.column_stack([np.hypot(local[:, 0], self._centre(radius) - local[:, 1]) - radius, local[:, 2]])

    def off(self, local: Array, radius: float) -> Array:
        """Distance (n,) from the centreline: the arc, and beyond it the straight lines it touches."""
        x, half = np.abs(local[:, 0]), self.turn / 2
        beside = local[:, 1] * np.cos(half) - x * np.sin(half)
        straight = np.hypot(beside, local[:, 2])
        return np.where(self.within(local, radius), np.hypot(*self.section(local, radius).T), straight)

    def by_radius(self, local: Array, radius: float) -> Array:
        """Derivative (n,) of `off` on the arc by its radius: its centre moves into the corner by 1 / cos(turn / 2)."""
        out, up = self.section(local, radius).T
        moved = (self._centre(radius) - local[:, 1]) / ((out + radius) * np.cos(self.turn / 2)) - 1
        return out / np.hypot(out, up) * moved

    def arc(self, radius: float, steps: int) -> Array:
        """Points (steps, 3) of the arc from the first tube to the second, in the axes that `at` stands in."""
        a = np.linspace(self.turn / 2, -self.turn / 2, steps)
        flat = np.column_stack([radius * np.sin(a), self._centre(radius) - radius * np.cos(a), np.zeros(steps)])
        return self.at + flat @ self.axes

    def _centre(self, radius: float) -> float:
        return float(radius / np.cos(self.turn / 2))


def lines_of(a: Feature, b: Feature) -> Array:
    """Place and direction of both axes (12,)."""
    return np.concatenate([a.point, a.axis, b.point, b.axis])


def spread(a: Feature, b: Feature) -> Array:
    """Covariance (12, 12) of `lines_of`: a place along its own axis is a choice and moves no line."""
    cov = np.zeros((12, 12))
    for k, f in ((0, a), (6, b)):
        across = np.eye(3) - np.outer(f.axis, f.axis)
        cov[k : k + 3, k : k + 3] = across @ f.cov @ across
        cov[k + 3 : k + 6, k + 3 : k + 6] = f.cov_axis
    return cov


def corner_of(lines: Array) -> Corner:
    """The corner of two lines (12,), the tubes' middles being their places. DataError for parallel ones."""
    p, a, q, b = lines.reshape(4, 3)
    a, b = unit(a), unit(b)
    s, t = closest(p, a, q, b)
    one, two = p + s * a, q + t * b
    out = [-np.sign(s) * a, -np.sign(t) * b]
    into, across = unit(out[0] + out[1]), unit(out[0] - out[1])
    turn = float(np.pi - np.arccos(np.clip(out[0] @ out[1], -1, 1)))
    axes = np.array([across, into, np.cross(across, into)])
    return Corner((one + two) / 2, axes, turn, (abs(s), abs(t)), float(np.linalg.norm(two - one)))
