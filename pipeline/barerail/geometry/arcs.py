"""Closed lines of many corners as a few straight pieces and arcs."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from barerail.geometry.contour import off_segment
from barerail.records import Array

FLATTEST_MM = 2000.0
"""An arc of a larger radius is a straight piece."""
LEAST_CORNERS = 5
MOST_TURN = np.radians(170.0)


class Piece(NamedTuple):
    """From start to end (2,), mm. centre (2,) and radius of an arc, None and 0 for a straight piece; turn: rad, above 0
    counter-clockwise."""

    start: Array
    end: Array
    centre: Array | None = None
    radius: float = 0.0
    turn: float = 0.0


Fit = Callable[[Array, float], Piece | None]


def pieces(line: Array, tolerance: float) -> list[Piece]:
    """A line (k, 2) as pieces no farther than `tolerance` mm from its corners, each as long as it can be from the last.

    An arc goes through its first, middle and last corner and turns less than 170 degrees. A closed line stays closed:
    pieces start and end on its corners.
    """
    out: list[Piece] = []
    at = 0
    while at < len(line) - 1:
        straight, arc = (_longest(line, at, tolerance, fit) for fit in (_straight, _arc))
        at, piece = arc if arc[0] > straight[0] else straight
        out.append(piece)
    return out


def _longest(line: Array, start: int, tolerance: float, fit: Fit) -> tuple[int, Piece]:
    """The last corner that one piece reaches, and that piece."""
    best = (start + 1, Piece(line[start], line[start + 1]))
    for end in range(start + 2, len(line)):
        piece = fit(line[start : end + 1], tolerance)
        if piece is not None:
            best = (end, piece)
        elif end - start > LEAST_CORNERS:
            break
    return best


def _straight(corners: Array, tolerance: float) -> Piece | None:
    a, b = corners[0], corners[-1]
    if len(corners) > 2 and off_segment(corners[1:-1], a, b).max() > tolerance:
        return None
    return Piece(a, b)


def _arc(corners: Array, tolerance: float) -> Piece | None:
    """None where the corners lie on no arc, or are too few to tell."""
    if len(corners) < LEAST_CORNERS:
        return None
    a, b, c = corners[0], corners[len(corners) // 2], corners[-1]
    d, e = b - a, c - a
    cross = 2 * float(d[0] * e[1] - d[1] * e[0])
    if abs(cross) < 1e-9:
        return None
    centre = a + np.array([e[1] * (d @ d) - d[1] * (e @ e), d[0] * (e @ e) - e[0] * (d @ d)]) / cross
    radius = float(np.linalg.norm(a - centre))
    if radius > FLATTEST_MM or np.abs(np.linalg.norm(corners - centre, axis=1) - radius).max() > tolerance:
        return None
    angles = np.unwrap(np.arctan2(*(corners - centre).T[::-1]))
    turn = float(angles[-1] - angles[0])
    steps = np.diff(angles) * np.sign(turn)
    return Piece(a, c, centre, radius, turn) if abs(turn) < MOST_TURN and (steps > 0).all() else None
