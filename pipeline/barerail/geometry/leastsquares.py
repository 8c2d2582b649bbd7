"""The one nonlinear least-squares core: Levenberg-Marquardt with analytic Jacobians, and its covariance."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.geometry.robust import reweight
from barerail.records import Array

NEAR = 1e-6
"""Share of the parameters' size: with a Gauss-Newton step under it, costs can't be told apart any more."""

STEPS, LOST = 6, 10
"""Steps for each set of robust weights, and after how many sets in a row without an end in sight a fit is given
up: what has no minimum is left as it is, not converged."""

Function = Callable[[Array], Array]


@dataclass(frozen=True, eq=False)
class Solution:
    """x (p,), residuals (n,) and Jacobian (n, p) at x (both without weights), weights (n,), scale for a robust loss."""

    x: Array
    residuals: Array
    jacobian: Array
    weights: Array
    iterations: int
    converged: bool
    scale: float = float("nan")


def solve(
    residuals: Function,
    jacobian: Function,
    start: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    loss: Literal["tukey"] | None = None,
    scale: float | None = None,
    tol: float = 1e-13,
    max_iter: int = 200,
) -> Solution:
    """Least of sum w r(x)^2, or of the robust `loss` of r / scale, from `start` (p,).

    residuals(x) -> (n,), jacobian(x) -> (n, p) its derivative. `tol` is a share of the parameters' size, each weighed
    by its column of the Jacobian. DataError where there are fewer weighted residuals than parameters.
    Marquardt 1963, J. SIAM 11(2):431-441; columns scaled as in Moré 1978, LNM 630:105-116.
    """
    x = np.array(start, float)
    r = residuals(x)
    prior = np.ones(len(r)) if weights is None else np.asarray(weights, float)
    if np.count_nonzero(prior) < len(x):
        raise DataError(f"a fit of {len(x)} parameters needs as many points, got {np.count_nonzero(prior)}")
    here = Solution(x, r, jacobian(x), prior, 0, False)
    if loss is None:
        return _descend(residuals, jacobian, here, prior, tol, max_iter)

    lost = 0

    def refit(w: Array, last: Solution) -> Solution:
        nonlocal lost
        lost = 0 if last.converged else lost + 1
        if lost > LOST:
            return last
        return _descend(residuals, jacobian, last, w, tol, 2 if last.converged else STEPS)

    best, w, s = reweight(refit, lambda fit: fit.residuals, prior, here, scale)
    return Solution(best.x, best.residuals, best.jacobian, w, best.iterations, best.converged, s)


def _descend(residuals: Function, jacobian: Function, here: Solution, w: Array, tol: float, max_iter: int) -> Solution:
    x, r, j = here.x, here.residuals, here.jacobian
    damping, last, scale = 1e-3, np.inf, np.zeros(len(x))
    for used in range(max_iter):  # noqa: B007
        scale = np.maximum(scale, np.sqrt(w @ (j * j)))
        step, newton, size = _steps(j, r, w, x, scale, damping)
        close = newton <= NEAR * size
        if newton <= tol * size or (close and newton >= last) or damping > 1e12:
            break
        new = residuals(x + step)
        # the difference of squares in this form keeps its sign longest; once close, only the step itself is exact
        if close or (np.all(np.isfinite(new)) and float(w @ ((new - r) * (new + r))) <= 0):
            x, r, damping, last = x + step, new, max(damping / 10, 1e-15), newton
            j = jacobian(x)
        else:
            damping = max(damping * 10, 1e-6)
    _, newton, size = _steps(j, r, w, x, scale, 0.0)
    return Solution(x, r, j, w, used + 1, newton <= NEAR * size)


def _steps(j: Array, r: Array, w: Array, x: Array, scale: Array, damping: float) -> tuple[Array, float, float]:
    """Damped step, length of the undamped step and size of x and r, both weighed by `scale` (p,)."""
    scale = np.where(scale > 0, scale, 1.0)
    js = j / scale
    normal, gradient = js.T @ (w[:, None] * js), js.T @ (w * r)
    scaled, one = scale * x, np.eye(len(x))
    size = float(np.sqrt(scaled @ scaled) + np.sqrt(w @ (r * r)))
    try:
        free, damped = np.linalg.solve(np.stack([normal, normal + damping * one]), gradient[:, None])[:, :, 0]
        return -damped / scale, float(np.sqrt(free @ free)), size
    except np.linalg.LinAlgError:
        return -np.linalg.solve(normal + max(damping, 1e-9) * one, gradient) / scale, np.inf, size


def covariance(jacobian: Array, noise: float | Array, weights: Array | None = None) -> Array:
    """Covariance (p, p) of the parameters of a fit with `jacobian` (n, p) and `weights` (n,).

    noise: standard deviation of white noise, or its full covariance (n, n). White and unweighted: s^2 (JtJ)^-1;
    else the sandwich G Jt W C W J G with G = (Jt W J)^-1. DataError where the Jacobian leaves a parameter open.
    """
    g = inverse_normal(jacobian, weights)
    wj = jacobian if weights is None else weights[:, None] * jacobian
    meat = float(noise) ** 2 * (wj.T @ wj) if np.ndim(noise) == 0 else wj.T @ noise @ wj
    return symmetric(g @ meat @ g)


def inverse_normal(jacobian: Array, weights: Array | None = None) -> Array:
    """(Jt W J)^-1 (p, p), columns scaled first. DataError where it has no inverse."""
    w = np.ones(len(jacobian)) if weights is None else weights
    normal = jacobian.T @ (w[:, None] * jacobian)
    scale = np.sqrt(np.abs(np.diag(normal)))
    n, p = jacobian.shape
    if n < p or not np.all(scale > 0) or np.linalg.cond(unscaled := normal / np.outer(scale, scale)) > 1e14:
        raise DataError(f"{n} points leave some of the {p} parameters open: the points are too few or too alike")
    return symmetric(np.linalg.inv(unscaled)) / np.outer(scale, scale)


def symmetric(matrix: Array) -> Array:
    """`matrix` (p, p) without the rounding that makes its halves differ."""
    return (matrix + matrix.T) / 2
