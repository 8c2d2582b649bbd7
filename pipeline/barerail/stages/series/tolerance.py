"""Statistical tolerance intervals: what takes a share of all cars at a stated confidence, from the few measured."""

from functools import cache

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2, norm

from barerail.records import Array

FAR, NODES, STEPS = 8.0, 96, 40
"""How far the mean's error is looked at, in its sd, at so many places; Newton steps."""


@cache
def factor(n: int, share: float, confidence: float) -> float:
    """k such that mean +- k sd holds at least `share` of a normal population with `confidence` (ISO 16269-6, two-sided,
    mean and variance unknown).

    Exact: over the mean's error z / sqrt(n), r(z) the half width that holds `share`, the mean of
    P(chi2(n - 1) > (n - 1) r^2 / k^2) is `confidence` (Odeh & Owen 1980, Tables for Normal Tolerance Limits).
    """
    if n < 2:
        return float("inf")
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    z = FAR * (nodes + 1) / 2
    chance, r = FAR * weights * norm.pdf(z), _half_widths(z / np.sqrt(n), share)

    def beyond(k: float) -> float:
        return float(chance @ chi2.sf((n - 1) * r**2 / k**2, n - 1)) - confidence

    start = float(norm.ppf((1 + share) / 2) * np.sqrt((n - 1) / chi2.ppf(1 - confidence, n - 1)))
    return float(brentq(beyond, 0.3 * start, 4 * start, xtol=1e-8))


def _half_widths(off: Array, share: float) -> Array:
    """r with P(off - r < N < off + r) = share, by Newton's way from below: there it is concave in r."""
    r = np.maximum(norm.ppf((1 + share) / 2), off + norm.ppf(share))
    for _ in range(STEPS):
        r += (share - norm.cdf(off + r) + norm.cdf(off - r)) / (norm.pdf(off + r) + norm.pdf(off - r))
    return r
