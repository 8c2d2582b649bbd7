"""How far each left feature lies ahead of its mirrored right one."""

from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.records import Array, Datum, Features

REACH_MM = 25.0
KINDS = ("hole", "slot", "stud", "bolt-axis", "sleeve")


@dataclass(frozen=True)
class Lengthwise:
    """Left/right pairs: x of the middle (k,), left ahead of right (k,), width (k,), u of ahead from the fits (k,)."""

    x: Array
    ahead: Array
    width: Array
    u: Array


def lengthwise(features: Features, datum: Datum) -> Lengthwise:
    """Pairs of one kind and size, each the other's nearest mirror image; features whose x is not held are left out."""
    t = datum.car_from_scan
    rows = []
    for kind in KINDS:
        found = [f for f in features.found if f.kind == kind]
        at = transform(t, np.array([f.point for f in found]).reshape(-1, 3))
        u = np.array([np.sqrt(direction(t, direction(t, f.cov).T)[0, 0]) for f in found])
        left, right = np.flatnonzero(at[:, 1] > 20), np.flatnonzero(at[:, 1] < -20)
        if not len(left) or not len(right):
            continue
        flipped = at[right] * [1, -1, 1]
        distance = np.linalg.norm(at[left][:, None] - flipped, axis=2)
        there, back = distance.argmin(axis=1), distance.argmin(axis=0)
        for i, j in enumerate(there):
            a, b, gap = left[i], right[j], distance[i, j]
            alike = abs(found[a].diameter - found[b].diameter) < 1.0 and max(u[a], u[b]) < 1.0
            if gap < REACH_MM and back[j] == i and alike:
                middle, apart = (at[a] + at[b]) / 2, at[a] - at[b]
                rows.append((middle[0], apart[0], apart[1], np.hypot(u[a], u[b])))
    return Lengthwise(*np.array(sorted(rows)).reshape(-1, 4).T)
