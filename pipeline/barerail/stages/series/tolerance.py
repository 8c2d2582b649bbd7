"""Statistical tolerance intervals: what takes a share of all cars at a stated confidence, from the few measured."""

from functools import cache

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import chi2, norm


@cache
def factor(n: int, share: float, confidence: float) -> float:
    """k such that mean +- k sd holds at least `share` of a normal population with `confidence` (ISO 16269-6, two-sided,
    mean and variance unknown).

    Exact: over the mean's error z / sqrt(n), r(z) the half width that holds `share`, the mean of
    P(chi2(n - 1) > (n - 1) r^2 / k^2) is `confidence` (Odeh & Owen 1980, Tables for Normal Tolerance Limits).
    """
    if n < 2:
        return float("inf")
    start = float(norm.ppf((1 + share) / 2) * np.sqrt((n - 1) / chi2.ppf(1 - confidence, n - 1)))
    return float(brentq(lambda k: _held(k, n, share) - confidence, 0.3 * start, 4 * start, xtol=1e-8))


def _held(k: float, n: int, share: float) -> float:
    def at(z: float) -> float:
        r = _half_width(z / np.sqrt(n), share)
        return float(2 * norm.pdf(z) * chi2.sf((n - 1) * r**2 / k**2, n - 1))

    return float(quad(at, 0, 8, limit=200)[0])


def _half_width(off: float, share: float) -> float:
    """r with P(off - r < N < off + r) = share."""
    return float(brentq(lambda r: norm.cdf(off + r) - norm.cdf(off - r) - share, 0, abs(off) + 10))
