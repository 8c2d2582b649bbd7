"""What a shift between two scans is known to: both fits, the pose that lays one on the other, and drift of both."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.frames import skew, transform
from barerail.records import Array, Datum, Frozen, NoiseModel, Unmoved


@dataclass(frozen=True, eq=False)
class PoseBudget(Frozen):
    """The pose's covariance about `about` and what stayed, places (m, 3), all in car axes; floor: variance, mm2.

    The floor is what the surfaces that stayed still show of both scanners' drift, never less than what is set;
    per_mm: growth of the drift's standard deviation with the distance from what stayed.
    """

    about: Array
    cov: Array
    places: Array
    floor: float
    per_mm: float

    @classmethod
    def of(cls, unmoved: Unmoved, car: Datum, before: NoiseModel, after: NoiseModel) -> "PoseBudget":
        turn = np.kron(np.eye(2), car.car_from_scan[:3, :3])
        drift = before.drift_mm**2 + after.drift_mm**2
        spread = unmoved.spread_mm**2 if np.isfinite(unmoved.spread_mm) else 0.0
        return cls(
            about=transform(car.car_from_scan, unmoved.about),
            cov=turn @ unmoved.cov @ turn.T,
            places=transform(car.car_from_scan, unmoved.places),
            floor=max(spread, 2 * drift),
            per_mm=float(np.hypot(before.drift_mm_per_m, after.drift_mm_per_m)) / 1000,
        )

    def at(self, points: Array) -> Array:
        """Covariances (n, 3, 3) in mm2 that the pose and the drift give to shifts at points (n, 3)."""
        far = np.asarray(cKDTree(self.places).query(points)[0])
        drift = self.floor + (self.per_mm * far) ** 2
        move = np.array([np.hstack([np.eye(3), -skew(p)]) for p in points - self.about])
        return np.asarray(move @ self.cov @ move.transpose(0, 2, 1) + drift[:, None, None] * np.eye(3))
