"""Orthogonal least-squares line."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.records import Array


@dataclass(frozen=True, eq=False)
class LineFit:
    """point: centroid; direction: unit, largest component positive; residuals (n,): distances, mm, never below 0.

    rms: weighted, mm. weights (n,): as given.
    """

    point: Array
    direction: Array
    rms: float
    residuals: Array
    weights: Array


def fit_line(points: ArrayLike, weights: ArrayLike | None = None) -> LineFit:
    """Line with the least weighted sum of squared distances to `points` (n, 2 or 3), mm (Shakarji 1998, section 3.1).

    DataError for fewer than 2 points with weight, or points without one longest direction.
    """
    p = np.asarray(points, float)
    w = np.ones(len(p)) if weights is None else np.asarray(weights, float)
    n = int(np.count_nonzero(w))
    if n < 2:
        raise DataError(f"a line needs at least 2 points, got {n}")
    about = p[np.argmax(w)]
    centred = p - about
    shift = w @ centred / w.sum()
    centred -= shift
    value, vector = np.linalg.eigh(centred.T @ (w[:, None] * centred))
    if value[-1] <= value[-2] * (1 + 1e-12):
        raise DataError(f"a line from {n} points: they have no longest direction")
    along = vector[:, -1] * np.copysign(1.0, vector[np.argmax(np.abs(vector[:, -1])), -1])
    residuals = np.linalg.norm(centred - np.outer(centred @ along, along), axis=1)
    return LineFit(about + shift, along, float(np.sqrt(w @ residuals**2 / w.sum())), residuals, w)


def closest(p: ArrayLike, along: ArrayLike, q: ArrayLike, to: ArrayLike) -> tuple[float, float]:
    """How far along each of two lines, from p and q (3,) in their unit directions, they pass each other closest, mm.

    DataError for parallel lines, which do so everywhere.
    """
    a, b, d = (np.asarray(v, float) for v in (along, to, np.subtract(q, p)))
    cosine = float(a @ b)
    if 1 - cosine**2 < 1e-12:
        raise DataError("two parallel lines have no closest approach")
    s, t = np.linalg.solve([[1.0, -cosine], [cosine, -1.0]], [a @ d, b @ d])
    return float(s), float(t)
