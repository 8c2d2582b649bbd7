"""What a tape or a tram gauge would read: sides, widths and both diagonals of the bays between left/right pairs."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from barerail.geometry.drift import between
from barerail.records import Bay, MountPoint, MountPoints, NoiseModel, Reading

KINDS = ("hole", "slot", "stud", "bolt-axis", "sleeve")
LEAST_BAY_MM, LEAST_WIDTH_MM = 300.0, 200.0
WORST_MM = 0.5
"""Largest U (k = 2) of a point's own fit that a tape reading may rest on, mm."""
MOST = 6


def bays(points: MountPoints, noise: NoiseModel) -> tuple[Bay, ...]:
    """Bays between well-measured pairs, rear to front, at most MOST pairs spread over the length.

    Lengths are straight, and in plan: seen from above, as on a floor with a plumb line. For a bay L long and W wide
    whose diagonals differ by D, one rail leads by D sqrt(L^2 + W^2) / (2 L) (trade geometry of a skewed rectangle).
    """
    named = {p.name: p for p in points.as_measured().points}
    pairs = [(named[p.left], named[p.right]) for p in points.pairs]
    good = sorted((p for p in pairs if _good(*p)), key=lambda p: float(p[0].position[0]))
    return tuple(_bay(a, b, noise) for a, b in pairwise(_spread(good)))


def _good(left: MountPoint, right: MountPoint) -> bool:
    if left.kind not in KINDS or left.face != right.face:
        return False
    worst = max(float(np.linalg.eigvalsh(p.cov_local)[-1]) for p in (left, right))
    wide = float(left.position[1] - right.position[1]) >= LEAST_WIDTH_MM
    return wide and 2 * worst**0.5 <= WORST_MM


def _spread(pairs: Sequence[tuple[MountPoint, MountPoint]]) -> list[tuple[MountPoint, MountPoint]]:
    """Some of the pairs, from the rearmost on, the gaps as even as they can be and none too short."""
    if not pairs:
        return []
    x = np.array([float(left.position[0]) for left, _ in pairs])
    count = min(MOST, 1 + int(np.ptp(x) // LEAST_BAY_MM))
    rows = sorted({int(np.argmin(np.abs(x - at))) for at in np.linspace(x[0], x[-1], max(count, 2))})
    kept = rows[:1]
    for row in rows[1:]:
        if x[row] - x[kept[-1]] >= LEAST_BAY_MM:
            kept.append(row)
    return [pairs[row] for row in kept]


def _bay(rear: tuple[MountPoint, MountPoint], front: tuple[MountPoint, MountPoint], noise: NoiseModel) -> Bay:
    (rl, rr), (fl, fr) = rear, front
    read = (
        _reading("left side", rl, fl, noise),
        _reading("right side", rr, fr, noise),
        _reading("width, rear", rl, rr, noise),
        _reading("width, front", fl, fr, noise),
        _reading("diagonal, left front to right rear", fl, rr, noise),
        _reading("diagonal, right front to left rear", fr, rl, noise),
    )
    difference = read[4].plan_mm - read[5].plan_mm
    length, width = (read[0].plan_mm + read[1].plan_mm) / 2, (read[2].plan_mm + read[3].plan_mm) / 2
    ahead = difference * float(np.hypot(length, width)) / (2 * length)
    return Bay(read, difference, float(np.hypot(read[4].U_mm, read[5].U_mm)), ahead)


def _reading(what: str, a: MountPoint, b: MountPoint, noise: NoiseModel) -> Reading:
    d = a.position - b.position
    length = float(np.linalg.norm(d))
    way = d / length
    var = float(way @ (a.cov_local + b.cov_local) @ way) + between(noise, length)
    return Reading(what, a.name, b.name, length, float(np.hypot(d[0], d[1])), 2 * var**0.5)
