"""What speaks for a pose: surfaces that coincide where both scans look, against those that only one of them has."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.frames import invert, transform
from barerail.geometry.registration.align import partners
from barerail.geometry.registration.surface import SEEN_MM, Surface
from barerail.records import Array, Index

AGAINST = 2.0
"""What a surface that only one scan has weighs against one that both have (judgement; on simulated chassis the right
pose keeps nine in ten and the best wrong one seven)."""


@dataclass(frozen=True)
class Agreement:
    """score: share of the surfaces that both have, less AGAINST times that which only one has though the other looked.

    share: of the smaller scan's smooth surface that has a partner. offset_mm: their median distance.
    """

    score: float
    share: float
    offset_mm: float


def agreement(target: Surface, moving: Surface, pose: Array, sd: float, most: int) -> Agreement:
    """Both ways, on at most so many points of each: partners r mm off count exp(-r^2 / 2 sd^2), up to 4 sd."""
    there = _one_way(target, moving, pose, sd, moving.some(most))
    here = _one_way(moving, target, invert(pose), sd, target.some(most))
    smaller = there if _area(moving) <= _area(target) else here
    return Agreement((there.score + here.score) / 2, smaller.share, smaller.offset_mm)


def _area(surface: Surface) -> float:
    return len(surface.even) * surface.edge**2


def _one_way(target: Surface, moving: Surface, pose: Array, sd: float, rows: Index) -> Agreement:
    found = partners(target, moving, pose, 4 * sd, rows)
    alone = np.setdiff1d(rows, found.rows, assume_unique=True)
    for_it = np.exp(-(found.distance**2) / (2 * sd**2)).sum()
    against = _looked_at(target, moving, pose, alone).sum()
    offset = float(np.median(np.abs(found.distance))) if len(found.rows) else float("inf")
    return Agreement(float(for_it - AGAINST * against) / len(rows), len(found.rows) / len(rows), offset)


def _looked_at(target: Surface, moving: Surface, pose: Array, rows: Index) -> NDArray[np.bool_]:
    """Which of these rows of `moving` lie inside what `target` went round, a surface facing their way close by."""
    inside = target.bounds.hold(transform(pose, moving.points[rows]))
    rows = rows[inside]
    here, way = transform(pose, moving.points[rows]), SEEN_MM * moving.normals[rows] @ pose[:3, :3].T
    seen = np.zeros(len(rows), bool)
    for sign in (1,) if target.oriented and moving.oriented else (1, -1):
        near = np.hstack([here, sign * way])
        seen |= np.isfinite(target.facing.query(near, distance_upper_bound=SEEN_MM, workers=-1)[0])
    return seen
