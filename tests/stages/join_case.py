"""Scans to join, cut from one simulated chassis: each with its own pose, noise, spacing, drift and clutter."""

from dataclasses import replace
from functools import cache

import numpy as np

from barerail.geometry.frames import invert, transform
from barerail.records import Scan
from barerail.scene import SceneCase, Simulated, make


@cache
def stretch(
    chassis: str, seed: int, scan_seed: int, low: float, high: float, spacing: float, sigma: float
) -> Simulated:
    """A scan of the stretch between two shares of the chassis's length, from the rear."""
    case = SceneCase(chassis, seed=seed, scan_seed=scan_seed, small=True, spacing_mm=spacing, sigma_mm=sigma)
    rear, front = make(replace(case, spacing_mm=25.0, patches=0)).truth["x_range"]
    window = tuple(rear + share * (front - rear) + 300.0 * (share - 0.5) for share in (low, high))
    return make(replace(case, window_mm=window))


def cut(simulated: Simulated, keep: np.ndarray) -> Simulated:
    """Only the points `keep` (n,)."""
    scan = simulated.scan
    source = replace(scan.sources[0], rows=(0, int(keep.sum())))
    return replace(
        simulated, scan=replace(scan, points=scan.points[keep], normals=scan.normals[keep], sources=(source,))
    )


def together(scans: dict[str, Scan]) -> Scan:
    """Scans by name as the reader gives several: each in its own axes."""
    start = np.cumsum([0, *(len(s.points) for s in scans.values())]).tolist()
    sources = tuple(
        replace(s.sources[0], name=name, rows=(a, b)) for (name, s), a, b in zip(scans.items(), start, start[1:])
    )
    points = np.vstack([s.points for s in scans.values()])
    return replace(
        next(iter(scans.values())),
        points=points,
        normals=np.vstack([s.normals for s in scans.values()]),
        sources=sources,
    )


def true_pose(first: Simulated, second: Simulated) -> np.ndarray:
    """Pose (4, 4) of the second scan in the first one's axes."""
    return np.array(first.truth["scan_from_car"]) @ invert(np.array(second.truth["scan_from_car"]))


def miss(pose: np.ndarray, true: np.ndarray, points: np.ndarray) -> tuple[float, float]:
    """By how much a pose is off: its turn in degrees, and the largest miss of any of `points`, mm."""
    off = pose @ invert(true)
    turn = np.degrees(np.linalg.norm(off[:3, :3] - np.eye(3)) / np.sqrt(2))
    return float(turn), float(np.linalg.norm(transform(pose, points) - transform(true, points), axis=1).max())
