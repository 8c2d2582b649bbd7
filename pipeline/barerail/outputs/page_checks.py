"""The hand measurements to take before cutting: two lengths and a diagonal between well-determined points."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from barerail.geometry.distance import distance, distance_U
from barerail.outputs.words import expanded
from barerail.records import Array, MountPoint, NoiseModel

HELD = ("hole", "stud", "slot", "sleeve", "bolt-axis")
"""Kinds whose point a tape or a tram gauge can be held to, the best first."""
SEEN = ("hole", "stud", "slot")
"""Those with metal at the point: a bracket's and a sleeve's lie in the air, and take a bolt to measure to."""


@dataclass(frozen=True)
class HandCheck:
    """A straight distance to measure by hand: what, between which points, expected value and U (k = 2), mm."""

    what: str
    a: MountPoint
    b: MountPoint
    distance_mm: float
    U_mm: float


def hand_checks(points: tuple[MountPoint, ...], noise: NoiseModel) -> list[HandCheck]:
    """A length along the car, one across it and a diagonal, as long as the points allow; fewer where they don't."""
    good = _well_determined(points)
    wanted: tuple[tuple[str, Callable[[Array], float]], ...] = (
        ("length along the car", lambda d: d[0] - 3 * (d[1] + d[2])),
        ("length across the car", lambda d: d[1] - 3 * (d[0] + d[2])),
        ("diagonal", lambda d: min(d[0], 2 * d[1]) - 3 * d[2]),
    )
    seen = [p for p in good if p.kind in SEEN]
    found = [_best(what, score, seen, noise) or _best(what, score, good, noise) for what, score in wanted]
    return [check for check in found if check is not None]


def _well_determined(points: tuple[MountPoint, ...], most: int = 60) -> list[MountPoint]:
    """Measured points that can be held to, those of the smaller half of local U, the surest kinds first."""
    held = [p for p in points if p.kind in HELD and p.state == "measured" and np.isfinite(p.position).all()]
    worst = {p.name: float(np.max(expanded(p.cov_local))) for p in held}
    limit = float(np.median(list(worst.values()))) if held else 0.0
    sure = [p for p in held if worst[p.name] <= max(limit, 0.1)]
    return sorted(sure, key=lambda p: (HELD.index(p.kind), worst[p.name], p.name))[:most]


def _best(
    what: str, score: Callable[[Array], float], good: list[MountPoint], noise: NoiseModel, least_mm: float = 200.0
) -> HandCheck | None:
    """The pair of points with the highest score of its distances (3,) along, across and up; None under `least_mm`."""
    ranked = [(score(np.abs(a.position - b.position)), a, b) for a, b in combinations(good, 2)]
    if not ranked:
        return None
    value, a, b = max(ranked, key=lambda r: r[0])
    if value < least_mm:
        return None
    return HandCheck(what, a, b, distance(a, b), distance_U(a, b, noise))
