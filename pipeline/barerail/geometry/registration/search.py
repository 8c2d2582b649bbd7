"""Where one scan lies on another, from nothing: every turn by the normals, every shift by correlation, then a judge."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import invert, transform
from barerail.geometry.registration.agreement import Agreement, agreement
from barerail.geometry.registration.align import settled
from barerail.geometry.registration.rotations import turns
from barerail.geometry.registration.shifts import shifts
from barerail.geometry.registration.surface import Surface
from barerail.records import Array

TURNS, SHIFTS, COARSE, FINE = 32, 12, 128, 16
"""How many are kept: turns, shifts of each, poses that are settled roughly, and of those finely (judgement)."""
SAME_MM = 10.0
"""Poses that lay every point of the scan within this of each other are one."""


@dataclass(frozen=True, eq=False)
class Found:
    """A pose (4, 4) and what speaks for it."""

    pose: Array
    agreement: Agreement


def search(target: Surface, moving: Surface, sd: float) -> list[Found]:
    """The best poses of `moving` on `target`, the best first, no two the same; `sd`: of partners' distances, mm.

    Nothing is drawn at random. None where no pose brings surfaces together.
    """
    edge = float(np.clip(_extent(moving) / 80, 3 * 1.3, 20.0))
    rough, other = target.thinned(max(edge, target.edge)), moving.thinned(max(edge, moving.edge))
    tried = [(s, p) for turn in turns(rough, other, TURNS) for p, s in zip(*shifts(rough, other, turn, edge, SHIFTS))]
    tried.sort(key=lambda t: -t[0])
    rows = other.some(1500)
    near = [settled(rough, other, p, (2 * edge, edge, edge / 2), rows, 6) for _, p in tried[:COARSE]]
    coarse = best([Found(p, agreement(rough, other, p, 0.15 * edge, 1500)) for p in near], moving)[:FINE]
    return best([refined(target, moving, f.pose, sd) for f in coarse], moving)


def refined(target: Surface, moving: Surface, pose: Array, sd: float) -> Found:
    """A pose about right settled on 6 000 points of the surface, down to a reach of 5 sd."""
    reaches = (*(r for r in (16.0, 8.0, 4.0) if r > 5 * sd), 5 * sd)
    pose = settled(target, moving, pose, reaches, moving.some(6000))
    return Found(pose, agreement(target, moving, pose, sd, 6000))


def best(found: list[Found], moving: Surface) -> list[Found]:
    """Those with any surface in common, the best first, the same ones once."""
    few = moving.points[:: max(1, len(moving.points) // 200)]
    kept: list[tuple[Found, Array]] = []
    for f in sorted(found, key=lambda f: -f.agreement.score):
        at = transform(f.pose, few)
        if f.agreement.share > 0.02 and all(np.abs(at - other).max() > SAME_MM for _, other in kept):
            kept.append((f, at))
    return [f for f, _ in kept]


def apart(found: Sequence[Found], moving: Surface) -> str:
    """How the best two poses differ, in words."""
    one, two = found[0], found[1]
    turn = np.degrees(np.arccos(np.clip((np.trace((one.pose @ invert(two.pose))[:3, :3]) - 1) / 2, -1, 1)))
    middle = moving.points.mean(axis=0)
    way = np.linalg.norm(transform(one.pose, middle) - transform(two.pose, middle))
    return (
        f"two poses fit nearly alike (scores {one.agreement.score:.3f} and {two.agreement.score:.3f}, "
        f"{turn:.0f} degrees and {way:.0f} mm apart)"
    )


def _extent(surface: Surface) -> float:
    return float(np.linalg.norm(np.ptp(surface.points, axis=0)))
