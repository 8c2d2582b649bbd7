"""Robust scale, weights and the reweighting loop that every robust fit shares."""

from collections.abc import Callable
from typing import TypeVar

import numpy as np

from barerail.records import Array

HUBER_C = 1.345
TUKEY_C = 4.685
"""95 % efficiency with normal noise (Holland & Welsch 1977, Commun. Stat. A6, table 1)."""
ROUNDING_MM = 1e-9
"""Least scale: residuals below it are rounding, and weights by that would leave a few points for all."""

Fit = TypeVar("Fit")


def median(values: Array) -> float:
    """Of values (n,), as numpy's own, which takes several times as long for a few hundred; nan for none or with one."""
    if not len(values):
        return float("nan")
    low, high = (len(values) - 1) // 2, len(values) // 2
    ranked = np.partition(values, (low, high, len(values) - 1))
    return float("nan") if np.isnan(ranked[-1]) else float(ranked[low] + ranked[high]) / 2


def mad_scale(residuals: Array) -> float:
    """1.4826 median |r - median r|: the standard deviation of the good part, in the unit of `residuals` (n,)."""
    r = np.asarray(residuals, float)
    return 1.4826 * median(np.abs(r - median(r))) if r.size else float("nan")


def huber_weights(residuals: Array, c: float = HUBER_C, scale: float = 1.0) -> Array:
    """Huber 1964: 1 within c scale, c scale / |r| beyond."""
    return c * scale / np.maximum(np.abs(residuals), c * scale)


def tukey_weights(residuals: Array, c: float = TUKEY_C, scale: float = 1.0) -> Array:
    """Biweight (1 - (r / (c scale))^2)^2, 0 beyond c scale (Beaton & Tukey 1974)."""
    u = np.minimum(np.abs(residuals) / (c * scale), 1.0)
    return (1 - u * u) ** 2


def reweight(
    fit: Callable[[Array, Fit], Fit],
    residuals: Callable[[Fit], Array],
    prior: Array,
    start: Fit,
    scale: float | None = None,
    rounds: int = 60,
) -> tuple[Fit, Array, float]:
    """Iteratively reweighted fit: Huber to warm up, then Tukey until the weights stand still (1e-6).

    fit(weights, last) -> the weighted fit; residuals(fit) -> (n,), signed; prior (n,): weights before any robust one.
    `scale` (mm) is found by MAD on points with weight, and kept after ten rounds, unless given. Returns the fit, its
    weights (n,) and the scale. Holland & Welsch 1977; Maronna, Martin & Yohai 2006, section 4.5.
    """
    last, weights = start, prior
    used = prior > 0
    s = 1.0 if scale is None else scale
    for i in range(rounds):
        r = residuals(last)
        if scale is None and i < 10:
            s = max(mad_scale(r[used]), 1e-12 * float(np.abs(r[used]).max()), ROUNDING_MM)
        before = weights
        weights = prior * (huber_weights(r, scale=s) if i < 4 else tukey_weights(r, scale=s))
        if i > 4 and np.abs(weights - before).max() <= 1e-6 * weights.max():
            break
        last = fit(weights, last)
    return last, weights, s
