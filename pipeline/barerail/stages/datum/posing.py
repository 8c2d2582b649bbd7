"""A pose from targets, by order of precedence: what each place, or a mid-point, must read along one car axis."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barerail.errors import DataError
from barerail.geometry.frames import from_rotation_vector, rigid, transform
from barerail.records import Array, Features, Frozen, Influence, NoiseModel

from .places import Place


@dataclass(frozen=True, eq=False)
class Target(Frozen):
    """sum of share * (places' coordinate on car `axis`) must read `value` mm. level: 0 is fitted first.

    words: what the user called it.
    """

    words: str
    places: tuple[Place, ...]
    share: Array
    axis: int
    value: float
    level: int = 0

    def read(self, frame: Array) -> float:
        return float(self.share @ transform(frame, self._points())[:, self.axis])

    def row(self, frame: Array) -> Array:
        """Derivative (6,) by (tx, ty, tz, rx, ry, rz) about the car origin: (r x q)_a = r . (q x e_a)."""
        e = np.eye(3)[self.axis]
        turn = self.share @ np.cross(transform(frame, self._points()), e)
        return np.concatenate([self.share.sum() * e, turn])

    def variance(self, frame: Array) -> float:
        """Of the reading, mm2, from the fits of its places."""
        way = frame[self.axis, :3]
        return float(sum(s**2 * way @ p.cov @ way for s, p in zip(self.share, self.places)))

    def _points(self) -> Array:
        return np.array([p.point for p in self.places])


@dataclass(frozen=True, eq=False)
class Posed(Frozen):
    """frame: car from scan. gain (6, m): of the pose by each target's misfit. cov (6, 6). residual (m,): reading less
    target, mm; u (m,): its own standard uncertainty."""

    frame: Array
    gain: Array
    cov: Array
    residual: Array
    u: Array


def pose(
    targets: Sequence[Target],
    start: Array,
    levels: Sequence[tuple[int, ...]],
    noise: NoiseModel,
    weight: Array | None = None,
) -> Posed:
    """Gauss-Newton, a level after the other: level k moves the pose's numbers levels[k] alone, so that what was fitted
    first stays (order of precedence of a datum system, ISO 5459:2024). Weights 1 / (u^2 + drift^2) times `weight` (m,).

    Covariance: of the fits and the scanner's drift, each level's widened where its misfits are larger than that.
    DataError where the numbers of a level stay open, or where no pose can be found.
    """
    frame = start
    extra = np.ones(len(targets)) if weight is None else weight
    for _ in range(100):
        own = np.array([t.variance(frame) for t in targets]) + noise.drift_mm**2
        jac = np.array([t.row(frame) for t in targets])
        gain = _gain(jac, extra / own, np.array([t.level for t in targets]), levels)
        residual = np.array([t.read(frame) - t.value for t in targets])
        step = gain @ residual
        if not np.all(np.isfinite(step)) or np.linalg.norm(step[3:]) > 10:
            break
        frame = rigid(from_rotation_vector(step[3:]), step[:3]) @ frame
        if np.linalg.norm(step[:3]) < 1e-9 and np.linalg.norm(step[3:]) < 1e-12:
            cov = _covariance(targets, frame, gain, residual, extra / own, levels, noise)
            return Posed(frame, gain, cov, residual, np.sqrt(own))
    raise DataError("datum: no pose of the scan brings the targets near their coordinates; check names and coordinates")


def _gain(jac: Array, weight: Array, level: Array, levels: Sequence[tuple[int, ...]]) -> Array:
    gain = np.zeros((6, len(jac)))
    for k, columns in enumerate(levels):
        rows, c = np.flatnonzero((level == k) & (weight > 0)), list(columns)
        a, w = jac[rows][:, c], weight[rows, None]
        normal = a.T @ (w * a)
        scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-30))
        if np.linalg.cond(normal * np.outer(scale, scale)) > 1e10:
            raise DataError("datum: the targets leave a turn of the car open; take targets that lie further apart")
        gain[c] = -np.linalg.solve(normal, a.T * w.T) @ (np.eye(len(jac))[rows] + jac[rows] @ gain)
    return gain


def _covariance(
    targets: Sequence[Target],
    frame: Array,
    gain: Array,
    residual: Array,
    weight: Array,
    levels: Sequence[tuple[int, ...]],
    noise: NoiseModel,
) -> Array:
    """gain S gain^T: S of the fits (a place in several targets counts in all of them), of drift_mm at each place, and
    of a bend of drift_mm_per_m along the car that all targets of one axis share."""
    together = joint(targets, frame, noise)
    factor = np.ones(len(targets))
    for k, columns in enumerate(levels):
        rows = np.array([t.level == k for t in targets])
        spare = int((rows & (weight > 0)).sum()) - len(columns)
        if spare > 0:
            factor[rows] = max(1.0, np.sqrt(float(weight[rows] @ residual[rows] ** 2) / spare))
    return gain @ (together * np.outer(factor, factor)) @ gain.T


def joint(targets: Sequence[Target], frame: Array, noise: NoiseModel) -> Array:
    """Covariance (m, m) mm2 of the targets' readings together, from the fits and the scanner's drift."""
    places = list({id(p): p for t in targets for p in t.places}.values())
    own = [np.linalg.cholesky(p.cov + (noise.drift_mm**2 + 1e-12) * np.eye(3)) for p in places]
    far = np.array([transform(frame, p.point)[0] for p in places])
    far = far - far.mean()
    rows = np.zeros((len(targets), 3 * len(places) + 3))
    for m, t in enumerate(targets):
        for s, p in zip(t.share, t.places):
            k = next(i for i, q in enumerate(places) if q is p)
            rows[m, 3 * k : 3 * k + 3] += s * frame[t.axis, :3] @ own[k]
            rows[m, 3 * len(places) + t.axis] += s * far[k] * noise.drift_mm_per_m / 1000
    return rows @ rows.T


def influences(targets: Sequence[Target], posed: Posed, features: Features) -> tuple[Influence, ...]:
    """d(pose) / d(point in scan axes), (6, 3), of each feature that a target rests on."""
    moves: dict[int, Array] = {}
    for m, t in enumerate(targets):
        for s, p in zip(t.share, t.places):
            if p.feature >= 0:
                own = s * np.outer(posed.gain[:, m], posed.frame[t.axis, :3])
                moves[p.feature] = moves.get(p.feature, np.zeros((6, 3))) + own
    return tuple(Influence(i, m) for i, m in sorted(moves.items()))
