"""Straight distances between labelled points, with their uncertainty."""

import numpy as np

from barerail.records import MountPoint, NoiseModel


def distance(a: MountPoint, b: MountPoint) -> float:
    """Straight distance of two points, mm."""
    return float(np.linalg.norm(b.position - a.position))


def distance_U(a: MountPoint, b: MountPoint, noise: NoiseModel) -> float:
    """U (k = 2) in mm of the straight distance of two points: both fits and the scanner's drift between them.

    u2 = e' (cov_local_a + cov_local_b) e + 2 drift_mm2 + (drift_mm_per_m * L / 1000)2, e the unit direction, L the
    distance in mm. The datum moves both points alike, so it has no share.
    """
    length = distance(a, b)
    e = (b.position - a.position) / length
    drift = 2 * noise.drift_mm**2 + (noise.drift_mm_per_m * length / 1000) ** 2
    return 2 * float(np.sqrt(e @ (a.cov_local + b.cov_local) @ e + drift))
