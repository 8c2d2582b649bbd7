"""What a shift between two scans is known to: both fits, the pose that lays one on the other, drift, and supports."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from barerail.asked import CompareSettings
from barerail.geometry.drift import LENGTH_MM, alike
from barerail.geometry.frames import transform
from barerail.records import Array, Datum, Frozen, NoiseModel, Note, Unmoved

MOST = 300
"""Most places that are reckoned as what holds the pose, evenly taken."""
CHUNK = 8192


@dataclass(frozen=True, eq=False)
class Stood(Frozen):
    """How the frame may have bent by its own weight from one scan to the other: a twist, one standard uncertainty.

    corner: height of a corner, mm. low, high: x of the ends; gauge: width; z: height of the twist's axis.
    """

    corner: float
    low: float
    high: float
    gauge: float
    z: float

    @classmethod
    def over(cls, at: Array, corner: float | None) -> "Stood | None":
        """As large as places (n, 3) of the frame are wide and long; None where they are neither, or corner is none."""
        if not corner or len(at) < 4 or np.ptp(at[:, :2], axis=0).min() <= 0:
            return None
        low, high = at[:, 0].min(), at[:, 0].max()
        return cls(corner, float(low), float(high), float(np.ptp(at[:, 1])), float(at[:, 2].mean()))

    def turn(self, points: Array) -> Array:
        """Turn (n,) about x, rad."""
        return self.corner / self.gauge * (points[:, 0] - (self.low + self.high) / 2) / (self.high - self.low)

    def shape(self, points: Array) -> Array:
        """Displacement (n, 3), mm."""
        turn = self.turn(points)
        return np.column_stack([0 * turn, -turn * (points[:, 2] - self.z), turn * points[:, 1]])


def assumed(settings: CompareSettings) -> tuple[str, ...]:
    """What the uncertainties rest on that nobody measured."""
    return ("drift",) if settings.stood_mm is None else ("drift", "supports")


def standing(settings: CompareSettings, stood: Stood | None) -> tuple[Note, ...]:
    """What unknown supports do to a comparison; nothing where they are known."""
    if settings.stood_mm is None:
        return ()
    held = f"U holds {2 * settings.stood_mm:.1f} mm at a corner for what its own weight bends"
    if settings.stood_mm and stood is None:
        held = "the points compared span no length and width, so that U leaves out what its own weight bends"
    text = (
        f"how the frame stood is not known of each scan: {held}, and no verdict is proven until each job's settings "
        "say supports_known = true"
    )
    return (Note("compare", text, warning=True),)


@dataclass(frozen=True, eq=False)
class Parts(Frozen):
    """Covariances (n, 3, 3) in mm2 of shifts at n points, by the pose and what stayed, drift of both, supports."""

    pose: Array
    drift: Array
    supports: Array

    @property
    def whole(self) -> Array:
        return self.pose + self.drift + self.supports


@dataclass(frozen=True, eq=False)
class PoseBudget(Frozen):
    """The pose's covariance about `about` and what stayed, places (m, 3), all in car axes.

    drift: both scanners' drift_mm as a variance, mm2, that hangs together over distance; gain (m, 6, 3): what a shift
    of each place turns and moves the pose by, so that drift alike at what stayed and at a point cancels. more: variance
    that what stayed has in common beyond it. per_mm: growth with the distance from what stayed.
    """

    about: Array
    cov: Array
    places: Array
    gain: Array
    drift: float
    more: float
    per_mm: float
    stood: Stood | None

    @classmethod
    def of(
        cls, unmoved: Unmoved, car: Datum, before: NoiseModel, after: NoiseModel, stood: Stood | None = None
    ) -> "PoseBudget":
        turn = np.kron(np.eye(2), car.car_from_scan[:3, :3])
        about, places = (transform(car.car_from_scan, at) for at in (unmoved.about, unmoved.places))
        some = np.linspace(0, len(places) - 1, min(MOST, len(places))).astype(int)
        places, grip = places[some], turn[:3, :3] @ unmoved.grip[some] @ turn[:3, :3].T
        drift = before.drift_mm**2 + after.drift_mm**2
        out = cls(
            about=about,
            cov=turn @ unmoved.cov @ turn.T,
            places=places,
            gain=_gain(places - about, grip),
            drift=drift,
            more=0.0,
            per_mm=float(np.hypot(before.drift_mm_per_m, after.drift_mm_per_m)) / 1000,
            stood=stood,
        )
        known = float(np.einsum("nij,nji->", grip, out._slow(places)) / max(np.einsum("nii->", grip), 1e-12))
        return replace(out, more=max(unmoved.common_mm**2 - known, 0.0))

    def at(self, points: Array) -> Parts:
        """What the pose, drift and supports give to shifts at points (n, 3)."""
        far = np.asarray(cKDTree(self.places).query(points)[0])
        grown = (self.per_mm * far) ** 2
        move = _moves(points - self.about)
        drift = np.vstack([self._slow(points[i : i + CHUNK]) for i in range(0, max(len(points), 1), CHUNK)])
        supports = np.zeros((len(points), 3, 3))
        if self.stood is not None:
            bent = self.stood.shape(points) - np.einsum("nij,j->ni", move, self._followed(self.stood))
            supports = bent[:, :, None] * bent[:, None]
        pose = move @ self.cov @ move.transpose(0, 2, 1) + self.more * np.eye(3)
        return Parts(pose, drift + grown[:, None, None] * np.eye(3), supports)

    def with_all(self, unmoved: Unmoved, car: Datum) -> Unmoved:
        """What holds the later scan, with drift of both and the supports in the covariance of its pose, too."""
        turn = np.kron(np.eye(2), car.car_from_scan[:3, :3])
        cov = self.cov + self.drift * self._held() + np.diag([0.0] * 3 + [self.per_mm**2] * 3)
        if self.stood is not None:
            cov = cov + np.outer(self._followed(self.stood), self._followed(self.stood))
        return replace(unmoved, cov=turn.T @ cov @ turn)

    def roll(self, points: Array) -> Array:
        """Variance (n,) of the turn about x at points (n, 3), rad2."""
        slow = self.cov[3, 3] + self.drift / LENGTH_MM**2 + self.per_mm**2
        bent = self.stood.turn(points) - self._followed(self.stood)[3] if self.stood is not None else 0.0
        return np.full(len(points), slow) + bent**2

    def _followed(self, stood: Stood) -> Array:
        """Shift and turn (6,) by which the pose follows what the supports do to what stayed."""
        return np.asarray(np.einsum("mki,mi->k", self.gain, stood.shape(self.places)))

    def _slow(self, points: Array) -> Array:
        """Drift at points less what the pose, laid on the same drift of what stayed, takes off: (n, 3, 3)."""
        m, move = len(self.places), _moves(points - self.about)
        flat = self.gain.reshape(m, 18)
        cross = move @ (alike(points, self.places) @ flat).reshape(-1, 6, 3)
        kept = move @ self._held() @ move.transpose(0, 2, 1)
        return self.drift * (np.eye(3) - cross - cross.transpose(0, 2, 1) + kept)

    def _held(self) -> Array:
        """Covariance (6, 6) that drift of 1 mm, alike over distance, gives the pose."""
        m, flat = len(self.places), self.gain.reshape(len(self.places), 18)
        pull = (alike(self.places, self.places) @ flat).reshape(m, 6, 3)
        return np.asarray(np.einsum("mki,mli->kl", self.gain, pull))


def _moves(off: Array) -> Array:
    """Displacement (n, 3, 6) of points `off` (n, 3) by a shift and a turn, mm and rad."""
    x, y, z = off.T
    out = np.zeros((len(off), 3, 6))
    out[:, range(3), range(3)] = 1.0
    out[:, 0, 4], out[:, 0, 5] = z, -y
    out[:, 1, 3], out[:, 1, 5] = -z, x
    out[:, 2, 3], out[:, 2, 4] = y, -x
    return out


def _gain(off: Array, grip: Array) -> Array:
    """Shift and turn by a displacement of each place (m, 6, 3): least squares over all of them, each with what it holds
    (m, 3, 3)."""
    move = _moves(off)
    held = move.transpose(0, 2, 1) @ grip
    return np.asarray(np.linalg.pinv((held @ move).sum(axis=0), hermitian=True) @ held)
