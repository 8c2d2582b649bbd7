"""Several labelled points at once: one joint covariance, so that what they share cancels in their differences."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import skew
from barerail.records import Array, Built, Datum, MountPoint, MountPoints, NoiseModel

SIX = 6
UNSEEN_MM = 1000.0


@dataclass(frozen=True, eq=False)
class Together:
    """Points in car axes and their joint covariances, six rows a point: place in mm, then axis (zeros for none).

    values (k, 6). total (6k, 6k): fits, datum and drift. local: the fits alone. by_datum (6k, 6): derivative by the
    datum's six numbers.
    """

    names: tuple[str, ...]
    values: Array
    total: Array
    local: Array
    by_datum: Array

    def through(self, jacobian: Array) -> Array:
        """Covariance (m, m) of quantities with the derivative `jacobian` (m, 6k) by all rows."""
        return jacobian @ self.total @ jacobian.T


def together(points: MountPoints, names: Sequence[str], datum: Datum, noise: NoiseModel) -> Together:
    """Joint covariance of named points, in first order (JCGM 102:2011, 6.2).

    A point q with axis a moves by its fit's error, by B (dt, dr) with the datum, B = [I | -[q]x; 0 | -[a]x], and by the
    scanner's drift A q, A a matrix of independent elements of drift_mm_per_m / 1000, and drift_mm at each point; so the
    drift between two points grows with their distance, as in `geometry.distance`. Where the datum rests on a point, the
    two errors hang together by its influence. Constructed points move as what they are built on.
    """
    known = {p.name: p for p in points.points}
    base, j, own = built_on(points.built, names)
    state, local, by_datum = _state([known[n] for n in base], datum, noise)
    values = np.array([np.concatenate([known[n].position, known[n].axis]) for n in names]).reshape(-1, SIX)
    return Together(tuple(names), values, j @ state @ j.T + own, j @ local @ j.T + own, j @ by_datum)


def built_on(built: Mapping[str, Built], names: Sequence[str]) -> tuple[tuple[str, ...], Array, Array]:
    """Measured points (k) that named ones (m) rest on, the derivative (6m, 6k) by them, and their own covariance.

    A measured point rests on itself.
    """
    base = tuple(dict.fromkeys(n for name in names for n in _on(built, name)))
    j, own = np.zeros((SIX * len(names), SIX * len(base))), np.zeros((SIX * len(names),) * 2)
    for i, name in enumerate(names):
        rows = slice(SIX * i, SIX * i + SIX)
        blocks = built[name].jacobian if name in built else np.eye(SIX)
        own[rows, rows] = built[name].own if name in built else 0.0
        for k, on in enumerate(_on(built, name)):
            at = SIX * base.index(on)
            j[rows, at : at + SIX] = blocks[:, SIX * k : SIX * k + SIX]
    return base, j, own


def _on(built: Mapping[str, Built], name: str) -> tuple[str, ...]:
    return built[name].on if name in built else (name,)


def _state(base: Sequence[MountPoint], datum: Datum, noise: NoiseModel) -> tuple[Array, Array, Array]:
    """Joint covariance, its part from the fits, and the derivative by the datum, of measured points."""
    n = len(base)
    local, by_datum, cross = np.zeros((SIX * n, SIX * n)), np.zeros((SIX * n, SIX)), np.zeros((SIX * n, SIX))
    moved = _influence(base, datum) @ datum.car_from_scan[:3, :3].T
    parts = np.zeros((n, SIX, SIX))
    for i, p in enumerate(base):
        at, turn = slice(SIX * i, SIX * i + 3), slice(SIX * i + 3, SIX * i + SIX)
        local[at, at] = _known(p.cov_local)
        local[turn, turn] = _axis_local(p, datum)
        by_datum[at], by_datum[turn, 3:] = p.by_datum, -skew(p.axis)
        cross[at], parts[i] = local[at, at] @ moved[i].T, moved[i] @ local[at, at] @ moved[i].T
    cross *= _share(parts, datum.covariance)
    mixed = cross @ by_datum.T
    total = local + by_datum @ datum.covariance @ by_datum.T + mixed + mixed.T + _drift(base, noise)
    return total, local, by_datum


def _known(cov: Array) -> Array:
    return cov if np.isfinite(cov).all() else UNSEEN_MM**2 * np.eye(3)


def _axis_local(p: MountPoint, datum: Datum) -> Array:
    """Covariance of an axis from its fit alone: less the datum's turn, which `cov_axis` holds."""
    if not np.any(p.axis):
        return np.zeros((3, 3))
    turn = -skew(p.axis)
    value, vector = np.linalg.eigh(p.cov_axis - turn @ datum.covariance[3:, 3:] @ turn.T)
    return (vector * np.maximum(value, 0.0)) @ vector.T


def _influence(base: Sequence[MountPoint], datum: Datum) -> Array:
    """d datum / d point in scan axes (n, 6, 3); zeros where the datum doesn't rest on it."""
    parts = np.zeros((len(base), SIX, 3))
    for i, p in enumerate(base):
        for part in datum.influence:
            if p.feature >= 0 and part.feature == p.feature:
                parts[i] += part.matrix
    return parts


def _share(parts: Array, covariance: Array) -> float:
    """Largest s in [0, 1] with s^2 sum(parts) <= covariance, so that the joint covariance stays proper."""
    held = np.linalg.solve(covariance + 1e-18 * np.eye(SIX), parts.sum(axis=0))
    most = float(np.linalg.eigvals(held).real.max())
    return min(1.0, most**-0.5) if most > 0 else 1.0


def _drift(base: Sequence[MountPoint], noise: NoiseModel) -> Array:
    v = np.array([row for p in base for row in (p.position, p.axis)]).reshape(-1, 3)
    each = np.tile([noise.drift_mm**2, 0.0], len(base))
    return np.kron((noise.drift_mm_per_m / 1000) ** 2 * v @ v.T + np.diag(each), np.eye(3))


def derivative(of: Callable[[Array], Array], values: Array) -> tuple[Array, Array]:
    """`of` (k, 6) -> (m,) at `values`, and its derivative (m, 6k) by central differences.

    Places are moved by 0.001 mm, axes by 1e-6, which are put back to length one by `of` itself where that matters.
    """
    at = of(values)
    step = np.tile([1e-3] * 3 + [1e-6] * 3, len(values))
    out = np.empty((len(at), values.size))
    for i, h in enumerate(step):
        move = np.zeros(values.shape)
        move.flat[i] = h
        out[:, i] = (of(values + move) - of(values - move)) / (2 * h)
    return at, out
