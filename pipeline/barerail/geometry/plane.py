"""Orthogonal least-squares plane."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.geometry.frames import skew
from barerail.geometry.robust import reweight
from barerail.records import Array


@dataclass(frozen=True, eq=False)
class PlaneFit:
    """axes (3, 3): rows u (long direction), v, n, right-handed; residuals (n,): signed distances along n, mm.

    Signs of u and n: largest component positive. weights (n,): final ones. rms: weighted, mm.
    places (2, n): of the points along u and v, mm.
    """

    centre: Array
    axes: Array
    rms: float
    residuals: Array
    places: Array
    weights: Array

    @property
    def jacobian(self) -> Array:
        """(n, 3) derivative of the residuals by offset along n in mm, turn about u and turn about v in rad."""
        x, y = self.places
        return np.column_stack([-np.ones(len(x)), -y, x])

    @property
    def normal(self) -> Array:
        return self.axes[2]


def fit_plane(points: ArrayLike, weights: ArrayLike | None = None) -> PlaneFit:
    """Plane with the least weighted sum of squared distances to `points` (n, 3), mm (Shakarji 1998, section 3.2).

    DataError for fewer than 3 points with weight, or points on one line.
    """
    p = np.asarray(points, float)
    w = np.ones(len(p)) if weights is None else np.asarray(weights, float)
    n = int(np.count_nonzero(w))
    if n < 3:
        raise DataError(f"a plane needs at least 3 points, got {n}")
    about = p[np.argmax(w)]
    centred = p - about
    shift = w @ centred / w.sum()
    centred -= shift
    value, vector = np.linalg.eigh(centred.T @ (w[:, None] * centred))
    if value[1] <= 1e-14 * value[2]:
        raise DataError(f"a plane from {n} points: they lie on one line")
    u, normal = _signed(vector[:, 2]), _signed(vector[:, 0])
    axes = np.array([u, skew(normal) @ u, normal])
    *places, residuals = axes @ centred.T
    rms = float(np.sqrt(w @ residuals**2 / w.sum()))
    return PlaneFit(about + shift, axes, rms, residuals, np.array(places), w)


def fit_plane_robust(points: ArrayLike, weights: ArrayLike | None = None, scale: float | None = None) -> PlaneFit:
    """`fit_plane` with Tukey weights; `scale` is the noise in mm, found by MAD where not given."""
    p = np.asarray(points, float)
    prior = np.ones(len(p)) if weights is None else np.asarray(weights, float)
    fit, _, _ = reweight(lambda w, last: fit_plane(p, w), lambda f: f.residuals, prior, fit_plane(p, prior), scale)
    return fit


def _signed(vector: Array) -> Array:
    return vector * np.copysign(1.0, vector[np.argmax(np.abs(vector))])
