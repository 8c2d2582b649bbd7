"""Common points: places that were seen, picked or measured in several scans, as a start for a pose or all of it."""

from collections.abc import Sequence

import numpy as np
from scipy.stats import t as student

from barerail.errors import DataError
from barerail.geometry.frames import best_fit_rigid, skew, transform
from barerail.records import Array, CommonPoint, Source

COARSE_MM = 30.0
"""Largest miss of a common point, mm: farther off it is another place (judgement)."""


def of_pair(common: Sequence[CommonPoint], first: Source, second: Source) -> tuple[list[str], Array, Array]:
    """Names and places (k, 3) in mm of the points that both scans have."""
    here, there = ({c.name: c.position for c in common if c.scan == s.name} for s in (first, second))
    names = [name for name in here if name in there]
    k = (first.mm_per_unit, second.mm_per_unit)
    return (
        names,
        np.array([here[n] for n in names]).reshape(-1, 3) * k[0],
        np.array([there[n] for n in names]).reshape(-1, 3) * k[1],
    )


def pose_from(names: Sequence[str], a: Array, b: Array, first: str, second: str) -> tuple[Array, Array, float]:
    """Pose (4, 4) of the points b (k, 3) on a, its covariance (6, 6) about their middle, and their rms miss, mm.

    The points' own error is taken from their misses, 3 k - 6 of which are free, widened for so few by Student's t.
    DataError: fewer than three, on one line, or one that is another place.
    """
    who = f"{second} on {first}"
    if len(names) < 3:
        raise DataError(f"{who}: {len(names)} common points, at least 3 are needed")
    spread = np.linalg.svd(a - a.mean(axis=0), compute_uv=False)[1] / np.sqrt(len(a))
    if spread < COARSE_MM:
        raise DataError(f"{who}: the common points {', '.join(names)} lie on one line, so a turn stays open: add one")
    pose = best_fit_rigid(b, a)
    off = transform(pose, b) - a
    size = np.linalg.norm(off, axis=1)
    if size.max() > COARSE_MM:
        worst = names[int(np.argmax(size))]
        raise DataError(
            f"{who}: the common points don't fit, {worst} misses by {size.max():.0f} mm: is it the same place in both, "
            "and are the coordinates in the scan file's own unit?"
        )
    freedom = 3 * len(a) - 6
    variance = float((off**2).sum()) / freedom * (student.ppf(0.975, freedom) / student.ppf(0.975, np.inf)) ** 2
    design = np.vstack([np.hstack([np.eye(3), -skew(p)]) for p in a - a.mean(axis=0)])
    return pose, variance * np.linalg.inv(design.T @ design), float(np.sqrt((size**2).mean()))
