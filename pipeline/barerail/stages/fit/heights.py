"""How high a face stands about a hole in it, and how far behind it the sheet's other one."""

import numpy as np
from scipy.spatial.distance import cdist

from barerail.geometry.robust import mad_scale
from barerail.records import Array, NoiseModel

BESIDE_MM = (1.0, 8.0)
"""How far from a hole's rim its face's height is read: past the rim's own rounding, short of welds (judgement)."""
FEWEST = 12
DEEP_MM = 8.0
"""How far behind its face a sheet's other one is looked for."""


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


def other_face(xy: Array, z: Array, disc: Array, spacing: float, deep: float) -> tuple[float, bool]:
    """z of the sheet's other face, at most `deep` mm down, -inf where it was not seen, and whether it goes on behind
    the disc."""
    rho = np.hypot(*(xy - disc[:2]).T)
    outside = z[(rho > disc[2] + 1.0) & (z < -0.8) & (z > -deep)]
    if len(outside) < 10:
        return -np.inf, False
    count, edges = np.histogram(outside, np.arange(-deep, -0.3, 0.5))
    most = count[edges[:-1] >= -DEEP_MM].max()
    busy = np.flatnonzero(count > max(0.4 * most, 0.15 * ((rho > disc[2] + 1.0) & (np.abs(z) < 0.5)).sum()))
    if not len(busy):
        return -np.inf, False
    other = float(np.median(outside[(outside > edges[busy[-1]] - 0.3) & (outside < edges[busy[-1] + 1] + 0.3)]))
    behind = (np.abs(z - other) < 0.6) & (rho < 0.8 * disc[2])
    return other, bool(behind.sum() > 0.4 * np.pi * (0.8 * disc[2]) ** 2 / spacing**2)
