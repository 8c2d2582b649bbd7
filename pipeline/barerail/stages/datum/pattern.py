"""Where a known pattern of features lies in a scan: the one pose at which most of it falls on features alike."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from barerail.errors import DataError
from barerail.geometry.frames import best_fit_rigid, rigid, transform, unit
from barerail.geometry.mirror import SMALL
from barerail.records import Array, Feature, Features, Frozen

NEAR = 6.0
FEWEST = 3
PAIRS = 400
SAME = 4.0
"""How far in mm distances of features may differ between two scans of one car."""


@dataclass(frozen=True, eq=False)
class Known(Frozen):
    """A feature as a recipe has it: kind, diameter, place and axis (3,) in car axes, mm."""

    kind: str
    diameter: float
    at: Array
    axis: Array

    @classmethod
    def of(cls, entry: Mapping[str, Any]) -> "Known":
        return cls(
            str(entry["kind"]),
            float("nan") if entry["diameter_mm"] is None else float(entry["diameter_mm"]),
            np.array(entry["at_mm"], float),
            np.array(entry["axis"], float),
        )

    def like(self, f: Feature) -> bool:
        """One of its kind and size, where it has one."""
        off = abs(f.diameter - self.diameter)
        return f.kind == self.kind and (not np.isfinite(self.diameter) or off < SMALL + 2 * f.u_diameter)


def registered(known: Sequence[Known], features: Features) -> Array:
    """Car from scan (4, 4): the pose of two features and an axis that brings most of `known` on to features alike.

    DataError where fewer than three, or less than half of what is needed to tell two poses apart, fall in place.
    """
    alike = [[j for j, f in enumerate(features.found) if k.like(f)] for k in known]
    points = np.array([f.point for f in features.found]).reshape(-1, 3)
    best, rival, frame = 0, 0, np.eye(4)
    for guess in _guesses(known, features, alike):
        count = len(_links(guess, known, points, alike))
        same = best > 0 and np.abs(transform(guess, points) - transform(frame, points)).max() < 100.0
        if count > best:
            rival = rival if same else max(rival, best)
            best, frame = count, guess
        elif not same:
            rival = max(rival, count)
    if best < FEWEST:
        raise DataError(
            f"datum: only {best} of the recipe's {len(known)} features are seen in their places, {FEWEST} are needed; "
            "is it the same car, and the same part of it?"
        )
    if best < 1.3 * rival:
        raise DataError(
            f"datum: the recipe fits two ways round ({best} and {rival} of {len(known)} features); scan more of the car"
        )
    for _ in range(3):
        links = _links(frame, known, points, alike)
        frame = best_fit_rigid(points[[j for _, j in links]], np.array([known[i].at for i, _ in links]))
    return frame


def _guesses(known: Sequence[Known], features: Features, alike: Sequence[Sequence[int]]) -> Iterator[Array]:
    """Poses from pairs of known features far apart, the rarest first, each on every two features alike."""
    n = len(known)
    far = [
        (len(alike[i]) * len(alike[j]), -float(np.linalg.norm(known[i].at - known[j].at)), i, j)
        for i in range(n)
        for j in range(i)
        if alike[i] and alike[j] and np.linalg.norm(known[i].at - known[j].at) > 200.0
    ]
    for _, size, i, j in sorted(far)[:PAIRS]:
        for a in alike[i]:
            for b in alike[j]:
                f, g = features.found[a], features.found[b]
                if abs(np.linalg.norm(f.point - g.point) + size) < SAME:
                    yield from _poses(known[i], known[j], f, g)


def _poses(p: Known, q: Known, f: Feature, g: Feature) -> Iterator[Array]:
    """The two poses that bring f, g on to p, q with f's axis along p's, either way."""
    for sign in (1.0, -1.0):
        car = _rows(q.at - p.at, p.axis)
        scan = _rows(g.point - f.point, sign * f.axis)
        if car is not None and scan is not None:
            turn = car.T @ scan
            yield rigid(turn, (p.at + q.at) / 2 - turn @ (f.point + g.point) / 2)


def _rows(way: Array, axis: Array) -> Array | None:
    x = unit(way)
    side = axis - (axis @ x) * x
    if np.linalg.norm(side) < 0.3:
        return None
    y = unit(side)
    return np.stack([x, y, np.cross(x, y)])


def _links(
    frame: Array, known: Sequence[Known], points: Array, alike: Sequence[Sequence[int]]
) -> list[tuple[int, int]]:
    """Known features and the features alike within 6 mm of them, nearest first, one to one."""
    near = cKDTree(transform(frame, points)).query_ball_point(np.array([k.at for k in known]), NEAR)
    at = transform(frame, points)
    links = sorted(
        (float(np.linalg.norm(at[j] - known[i].at)), i, j) for i, rows in enumerate(near) for j in rows if j in alike[i]
    )
    taken: dict[int, int] = {}
    for _, i, j in links:
        if i not in taken and j not in taken.values():
            taken[i] = j
    return sorted(taken.items())
