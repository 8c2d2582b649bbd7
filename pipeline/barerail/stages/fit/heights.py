"""How high a face stands about a hole in it."""

import numpy as np
from scipy.spatial.distance import cdist

from barerail.geometry.robust import mad_scale
from barerail.records import Array, NoiseModel

BESIDE_MM = (1.0, 8.0)
"""How far from a hole's rim its face's height is read: past the rim's own rounding, short of welds (judgement)."""
FEWEST = 12


def local_height(local: Array, disc: Array, tolerance: float, spacing: float) -> tuple[float, Array]:
    """The face's height over its mean plane near the hole, mm: the mean of the ring about it, and where that lies
    (k, 2), none where too few. What is 2.5 sd off its median is left out, as the sides of a small tab are."""
    rho = np.hypot(*(local[:, :2] - disc[:2]).T) - disc[2]
    beside = (rho > BESIDE_MM[0]) & (rho < max(BESIDE_MM[1], 3 * spacing))
    ring = local[beside & (np.abs(local[:, 2]) < 2 * tolerance)]
    if len(ring) < FEWEST:
        return 0.0, ring[:0, :2]
    off = ring[:, 2] - np.median(ring[:, 2])
    ring = ring[np.abs(off) <= max(2.5 * mad_scale(off), tolerance / 3)]
    return float(np.mean(ring[:, 2])), ring[:, :2]


def height_variance(ring: Array, noise: NoiseModel, most: int = 200) -> float:
    """Variance in mm2 of the mean height of points of a face at ring (n, 2), mm; without any, that of one point."""
    if not len(ring):
        return noise.corr_mm**2 + noise.white_mm**2
    some = ring[np.linspace(0, len(ring) - 1, min(most, len(ring))).astype(int)]
    like = np.exp(-((cdist(some, some) / noise.corr_length_mm) ** noise.power)).mean()
    return float(noise.corr_mm**2 * like + noise.white_mm**2 / len(ring))
