"""A robust straight or curved line through stations, with an uncertainty that knows stations hang together."""

from dataclasses import dataclass

import numpy as np

from barerail.geometry.robust import reweight
from barerail.records import Array, Frozen


@dataclass(frozen=True, eq=False)
class Trend(Frozen):
    """Coefficients (p,), their covariance (p, p), the robust weights (n,) of the readings, and gain (p, n): what each
    reading adds to each coefficient, value = gain @ readings."""

    value: Array
    cov: Array
    weight: Array
    gain: Array


def trend(design: Array, readings: Array, variance: Array, prior: Array | None = None) -> Trend:
    """Weighted least squares of readings (n,) on `design` (n, p), Tukey on top; n > p, unless there is a prior.

    prior (p,): standard deviation of each coefficient about zero before any reading: it holds what no reading shows,
    and is no reading itself, so that it has no part in weights or scatter.

    The covariance is the usual one, grown by the square of the robust scatter where that is above what `variance`
    says, and by (1 + a) / (1 - a), a the correlation of one residual with the next (0 to 0.9), less the 1 / sqrt(n)
    that chance gives it: neighbours that bend together count for less (Bartlett 1946, J. R. Stat. Soc. Suppl. 8:27-41).
    """
    sd = np.sqrt(variance)
    x, y = design / sd[:, None], readings / sd
    held = np.diag(1 / prior) if prior is not None else np.zeros((0, x.shape[1]))

    def fit(weights: Array, last: Array) -> Array:
        root = np.sqrt(weights)
        rows = np.vstack([x * root[:, None], held])
        return np.asarray(np.linalg.lstsq(rows, np.append(y * root, np.zeros(len(held))), rcond=None)[0], float)

    even = np.ones(len(y))
    start, _, scale = reweight(fit, lambda b: y - x @ b, even, fit(even, np.zeros(x.shape[1])))
    shown = float(np.trace(np.linalg.solve(x.T @ x + held.T @ held, x.T @ x)))
    scale *= (len(y) / max(len(y) - shown, 1.0)) ** 0.5
    value, weight, _ = reweight(fit, lambda b: y - x @ b, even, start, max(1.0, scale))
    left = (y - x @ value) * np.sqrt(weight)
    cov = np.asarray(np.linalg.inv((x * weight[:, None]).T @ x + held.T @ held), float)
    gain = cov @ (x * (weight / sd)[:, None]).T
    free = max(float(weight.sum()) - shown, 1.0)
    grow = max(1.0, float(left @ left) / free) * _together(left)
    return Trend(value, grow * cov, weight, gain)


def _together(left: Array) -> float:
    a = float(left[:-1] @ left[1:]) / max(float(left @ left), 1e-300)
    a = min(max(a - len(left) ** -0.5, 0.0), 0.9)
    return (1 + a) / (1 - a)
