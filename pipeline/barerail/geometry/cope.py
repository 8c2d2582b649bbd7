"""Where a round tube meets another: the line of a cut round the branch, for two plain cylinders."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.geometry.frames import unit
from barerail.records import Array


class Joint(NamedTuple):
    """How a branch stands to a main tube.

    angle: between the axes, rad, up to a right one. offset: of the axes from each other, mm, along `side`. node (3,):
    on the branch's axis where the main tube's is closest. out (3,): along the branch away from the main one. lean (3,):
    across the branch, in the plane of both directions, on the side of the narrow angle. side (3,) = out x lean.
    """

    angle: float
    offset: float
    node: Array
    out: Array
    lean: Array
    side: Array


def meeting(branch: ArrayLike, along: ArrayLike, main: ArrayLike, to: ArrayLike) -> Joint:
    """The joint of a branch (a place on its axis, its direction) with a main tube. DataError for parallel axes."""
    q, d, p, m = np.asarray(branch, float), unit(along), np.asarray(main, float), unit(to)
    sine = float(np.linalg.norm(np.cross(d, m)))
    if sine < 1e-3:
        raise DataError("the tubes are parallel: nothing to cope")
    s, t = np.linalg.lstsq(np.column_stack([d, -m]), p - q)[0]
    node = q + s * d
    out = d if s <= 0 else -d
    m = m if m @ out >= 0 else -m
    lean = unit(m - (m @ out) * out)
    side = np.cross(out, lean)
    return Joint(float(np.arctan2(sine, m @ out)), float((p + t * m - node) @ side), node, out, lean, side)


def saddle(turn: Array, radius: float, main_radius: float, angle: float, offset: float) -> Array:
    """How far up the branch (n,), mm from the node, its surface of `radius` leaves the main tube, at turns (n,) rad.

    turn: round the branch from `lean` to `side`. With y across both axes and the main tube's axis along m,
        h = (r cos(turn) cos(angle) + sqrt(R^2 - (r sin(turn) - offset)^2)) / sin(angle),
    from |x - (x . m) m| = R for x = r cos(turn) lean + r sin(turn) side + h out. DataError where the branch goes past
    the main tube.
    """
    beside = radius * np.sin(turn) - offset
    if np.abs(beside).max() > main_radius * (1 + 1e-12):
        raise DataError(
            f"the branch reaches {np.abs(beside).max() - main_radius:.1f} mm past the side of the other tube, so no "
            "wrapped cut seats it"
        )
    depth = np.sqrt(np.maximum(main_radius**2 - beside**2, 0.0))
    return (radius * np.cos(turn) * np.cos(angle) + depth) / np.sin(angle)
