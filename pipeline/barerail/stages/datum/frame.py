"""The car frame from a mirror plane, a level and an origin, and the joint covariance of its six numbers."""

import numpy as np

from barerail.geometry.frames import basis, rigid, unit
from barerail.geometry.mirror import Mirror
from barerail.records import Array

from .vertical import Level


def rough_frame(rows: Array, mirror: Mirror, middle: Array) -> Array:
    """Car from scan (4, 4) for axes `rows` through the middle of the scan, y = 0 on the mirror plane."""
    side = float(np.sign(rows[1] @ mirror.normal))
    shift = -rows @ middle
    shift[1] -= side * mirror.offset
    return rigid(rows, shift)


def levelled(rough: Array, level: Level) -> Array:
    """The rough frame pitched to the level, z = 0 on it at its x0; y stays. x starts at the same place."""
    x, y, z = rough[:3, :3]
    ahead = unit(x + level.slope * z)
    rows = np.stack([ahead, y, np.cross(ahead, y)])
    frame = rigid(rows @ rough[:3, :3].T, np.zeros(3)) @ rough
    on_level = rows @ rough[:3, :3].T @ [level.x0, 0.0, level.height]
    return rigid(np.eye(3), [0.0, 0.0, -on_level[2]]) @ frame


def by_parts(frame: Array, mirror: Mirror, middle: Array, level_x: float, read: Array) -> Array:
    """Derivative (6, 6) of (tx, ty, tz, rx, ry, rz) by the parts' own errors, for a finished frame.

    Parts: a step of the mirror plane (two turns in rad, shift in mm), the level's height at x = `level_x` and slope,
    and the origin's x, read at `read` (3,), car axes. A point q moves by t + r x q, so with
    y' = y + a x + b z + c from the mirror rz = a, rx = -b, ty = c; a level read e_h too high
    and e_s too steep gives ry = e_s, tz = e_s level_x - e_h;
    an origin read e_x too far ahead at (x, y, z) gives tx = -e_x - ry z + rz y.
    """
    rows = frame[:3, :3]
    u, v, n = basis(mirror.normal)
    origin = -rows.T @ frame[:3, 3] - middle
    side = float(np.sign(rows[1] @ n))
    j = np.zeros((6, 6))
    for k, turn in enumerate((u, v)):
        j[5, k], j[3, k], j[1, k] = side * turn @ rows[0], -side * turn @ rows[2], side * turn @ origin
    j[1, 2] = -side
    j[2, 3], j[4, 4], j[2, 4] = -1.0, 1.0, level_x
    j[0] = j[5] * read[1] - j[4] * read[2]
    j[0, 5] = -1.0
    return j
