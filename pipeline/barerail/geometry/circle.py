"""Geometric least-squares circle in a plane."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.geometry.leastsquares import inverse_normal, solve
from barerail.records import Array


@dataclass(frozen=True, eq=False)
class CircleFit:
    """centre (2,) and radius in mm; residuals (n,): distance outside the circle, mm.

    jacobian (n, 3): of the residuals by (x, y, radius); (n, 2) where the radius was given. weights (n,): final ones.
    """

    centre: Array
    radius: float
    residuals: Array
    jacobian: Array
    weights: Array
    converged: bool


def taubin(xy: ArrayLike) -> tuple[float, float, float]:
    """Centre x, y and radius of Taubin's algebraic circle: a start value (Taubin 1991, PAMI 13(11):1115-1138).

    SVD form: Chernov 2010, Circular and Linear Regression, section 5.10. DataError for points on one line.
    """
    p = np.asarray(xy, float)
    if len(p) < 3:
        raise DataError(f"a circle needs at least 3 points, got {len(p)}")
    middle = p.mean(axis=0)
    q = p - middle
    z = (q * q).sum(axis=1)
    size = 2 * np.sqrt(z.mean())
    if not size > 0:
        raise DataError(f"a circle from {len(p)} points: they are all the same")
    a = np.linalg.svd(np.column_stack([(z - z.mean()) / size, q]), full_matrices=False)[2][2]
    if abs(a[0]) <= 1e-12:
        raise DataError(f"a circle from {len(p)} points: they lie on one line")
    centre = -a[1:] / (2 * a[0] / size)
    return float(centre[0] + middle[0]), float(centre[1] + middle[1]), float(np.sqrt(z.mean() + centre @ centre))


def fit_circle(
    xy: ArrayLike, start: ArrayLike | None = None, robust: bool = False, radius: float | None = None
) -> CircleFit:
    """Circle with the least sum of squared distances to `xy` (n, 2), mm (Gander, Golub & Strebel 1994, section 3.2).

    start (x, y, radius): else Taubin's circle, or for `robust` the least median of squares over point triples.
    robust: Tukey weights. radius: held where given. DataError for too few points, or points on one line.
    """
    p = np.asarray(xy, float)
    middle = p.mean(axis=0) if len(p) else np.zeros(2)
    q = p - middle
    guess = np.array((least_median(q) if robust else taubin(q)) if start is None else start, float)
    if start is not None:
        guess[:2] -= middle
    free = 3 if radius is None else 2

    def residuals(x: Array) -> Array:
        return np.hypot(*(q - x[:2]).T) - (x[2] if radius is None else radius)

    def jacobian(x: Array) -> Array:
        away = q - x[:2]
        away /= np.maximum(np.hypot(*away.T), 1e-300)[:, None]
        return -np.column_stack([away, np.ones(len(q))])[:, :free]

    s = solve(residuals, jacobian, guess[:free], loss="tukey" if robust else None)
    inverse_normal(s.jacobian, s.weights)
    r = float(s.x[2]) if radius is None else radius
    return CircleFit(s.x[:2] + middle, r, s.residuals, s.jacobian, s.weights, s.converged)


def least_median(q: Array) -> tuple[float, float, float]:
    """Circle through three of the points with the least median |distance| (Rousseeuw 1984), from fixed triples."""
    n = len(q)
    first = np.unique(np.linspace(0, n - 1, min(n, 150)).astype(int))
    order = np.argsort(np.arctan2(*(q - np.median(q, axis=0)).T[::-1]), kind="stable")
    best, least = taubin(q), np.inf
    for share in (3, 5):
        a, b, c = (q[order[(first + k * n // share) % n]] for k in range(3))
        centre, radius = _through(a, b, c)
        distance = np.abs(np.hypot(*(q[:, None] - centre).transpose(2, 0, 1)) - radius)
        score = np.median(np.where(np.isfinite(distance), distance, np.inf), axis=0)
        i = int(np.argmin(score))
        if score[i] < least:
            best, least = (float(centre[i, 0]), float(centre[i, 1]), float(radius[i])), float(score[i])
    return best


def _through(a: Array, b: Array, c: Array) -> tuple[Array, Array]:
    """Centres (m, 2) and radii (m,) of the circles through a, b, c (m, 2); infinite where they lie on one line."""
    d, e = b - a, c - a
    cross = 2 * (d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0])
    dd, ee = (d * d).sum(axis=1), (e * e).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = (e[:, 1] * dd - d[:, 1] * ee) / cross
        y = (d[:, 0] * ee - e[:, 0] * dd) / cross
    return a + np.column_stack([x, y]), np.hypot(x, y)
