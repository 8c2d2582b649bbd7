"""Mean and spread of one number over cars, what of it is the measurement's own, and the cars' own with its interval."""

import numpy as np
from scipy.stats import chi2

from barerail.records import Array, Spread

LEVEL = 0.95
FEWEST = 3


def spread(values: Array, own: Array) -> Spread:
    """Spread of values (n,) measured with standard uncertainties own (n,), all independent of each other.

    Seen variance s2 holds the cars' own and the mean of own^2: (n - 1) s2 / (own^2 + between^2) is chi-square, n - 1
    degrees, so between^2 lies from (n - 1) s2 / chi2(0.975) - own^2 to (n - 1) s2 / chi2(0.025) - own^2, never below 0
    (one-way variance component with known error variance: Searle, Casella & McCulloch 1992, section 3.5). U also holds
    what need not scatter from scan to scan, an assumed drift or a direction that isn't held: at the upper end no more
    of it is taken off than is left for the cars.
    """
    n = len(values)
    nan = float("nan")
    if n == 0:
        return Spread(0, *(nan,) * 8)
    mean, own2 = float(np.mean(values)), float(np.mean(own**2))
    if n < FEWEST:
        return Spread(n, mean, nan, float(values.min()), float(values.max()), 2 * own2**0.5, nan, nan, nan)
    s2 = float(np.var(values, ddof=1))
    tail = (1 - LEVEL) / 2
    low, high = ((n - 1) * s2 / float(chi2.ppf(q, n - 1)) for q in (1 - tail, tail))
    left = max(s2 - own2, 0.0)
    between = [max(v, 0.0) ** 0.5 for v in (left, low - own2, high - min(own2, left))]
    return Spread(n, mean, s2**0.5, float(values.min()), float(values.max()), 2 * own2**0.5, *between)


def too_large(v: Spread) -> bool:
    """Whether the values scatter by less than their own U allows, but once in 40 times."""
    return v.n >= FEWEST and (v.n - 1) * v.sd**2 < float(chi2.ppf((1 - LEVEL) / 2, v.n - 1)) * (v.own_U / 2) ** 2
