"""Where along the car the twist sits: in one stretch, or spread over all of it."""

import numpy as np

from barerail.records import Array

from .modes import Stretch

SEEN, SHORTER, ALIKE = 12.0, 9.0, 1.0
"""Fall of chi-square that shows a twist at all, and that it is not spread evenly: more than chance gives the best of
hundreds of stretches; and within which stretches fit alike (judgement)."""


def sits(s: Stretch, weight: Array) -> tuple[float, float] | None:
    """From and to x between which the roll of the rail centres turns, level outside; None where it can't be told.

    All stretches between two stations are tried, the ramp's ends the only unknowns beside its height and the level
    (change-point fit, Hinkley 1969, Biometrika 56:495, with the ends on a grid). The whole length wins unless a shorter
    one fits better by SHORTER; a shorter one is given from the first to the last x of all that fit as well.
    """
    use = weight > 0
    if use.sum() < 6:
        return None
    x, roll, var = _read(s)
    x, roll, root = x[use], roll[use], np.sqrt(weight[use] / var[use])
    low, high = float(x[0]), float(x[-1])
    ends = [(a, b) for i, a in enumerate(x[:-1]) for b in x[i + 1 :]]
    misses = np.array([_miss(np.clip((x - a) / (b - a), 0, 1), roll, root) for a, b in ends])
    level = float((((roll - np.average(roll, weights=root**2)) * root) ** 2).sum())
    best = float(misses.min())
    scale = max(best / max(len(x) - 4, 1), 1.0)
    if (level - best) / scale < SEEN:
        return None
    whole = float(misses[ends.index((x[0], x[-1]))])
    if (whole - best) / scale < SHORTER:
        return low, high
    near = [e for e, m in zip(ends, misses) if (m - best) / scale < ALIKE]
    return float(min(a for a, _ in near)), float(max(b for _, b in near))


def _read(s: Stretch) -> tuple[Array, Array, Array]:
    d = s.left - s.right
    width = np.hypot(d[:, 1], d[:, 2])
    return s.x, np.arctan2(d[:, 2], d[:, 1]), (s.left_var[:, 2] + s.right_var[:, 2]) / width**2


def _miss(shape: Array, roll: Array, root: Array) -> float:
    a = np.column_stack([np.ones_like(shape), shape]) * root[:, None]
    left = roll * root - a @ np.linalg.lstsq(a, roll * root, rcond=None)[0]
    return float(left @ left)
