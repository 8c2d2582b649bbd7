"""A scanner's slow error: how it hangs together over distance, and what it puts into readings."""

import numpy as np

from barerail.records import Array, NoiseModel

LENGTH_MM = 850.0
"""Over what distance drift_mm hangs together, exp(-d^2 / 2 length^2): that of waves of 1.5 to 6 m (assumption)."""


def alike(a: Array, b: Array) -> Array:
    """Correlation (n, m), per coordinate, of the slow error at places a (n, 3) and b (m, 3), mm."""
    square = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1) - 2 * a @ b.T
    return np.exp(-np.maximum(square, 0.0) / (2 * LENGTH_MM**2))


def of_sum(noise: NoiseModel, places: Array, weights: Array) -> Array:
    """Variance (k,) that drift_mm puts into sums of one coordinate at places (n, 3), weights (n, k); its unit squared.

    The size of each reading's slow error is drift_mm, and what hangs together cancels or adds up as it should.
    """
    return noise.drift_mm**2 * np.einsum("nk,nm,mk->k", weights, alike(places, places), weights)


def grown(noise: NoiseModel, apart: float) -> float:
    """Variance in mm2, per coordinate, of the growth drift_mm_per_m between two places `apart` mm."""
    return (noise.drift_mm_per_m * apart / 1000) ** 2


def between(noise: NoiseModel, apart: float) -> float:
    """Variance in mm2, per coordinate, of the slow error of one place less that of another, `apart` mm off."""
    together = float(np.exp(-(apart**2) / (2 * LENGTH_MM**2)))
    return 2 * noise.drift_mm**2 * (1 - together) + grown(noise, apart)
