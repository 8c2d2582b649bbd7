"""Poses of all scans at once from what pairs of them say, misses round a loop spread over all of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from barerail.geometry.frames import from_rotation_vector, invert, rigid, transform
from barerail.records import Array

FLOOR_MM, FLOOR_RAD = 0.01, 1e-5
"""Standard uncertainty that no pair is better than, so that a perfect copy has weight but not all of it."""


@dataclass(frozen=True, eq=False)
class Link:
    """What a pair of scans says: `pose` (4, 4) of the second in the first one's axes, with its covariance (6, 6) of
    (shift in mm, turn in rad) about the point `about` of those axes."""

    first: int
    second: int
    pose: Array
    about: Array
    cov: Array
    by: str


def miss(link: Link, poses: Sequence[Array]) -> Array:
    """(6,): by how much two scans' poses differ from what their link says: shift in mm at its `about`, turn in rad."""
    off = invert(poses[link.first]) @ poses[link.second] @ invert(link.pose)
    return np.concatenate([transform(off, link.about) - link.about, Rotation.from_matrix(off[:3, :3]).as_rotvec()])


def adjusted(poses: Sequence[Array], links: Sequence[Link], about: Sequence[Array]) -> tuple[list[Array], list[Array]]:
    """Poses of all scans with the least weighted squares of all misses, and each one's covariance (6, 6) about its
    `about` (3,) in the first scan's axes; the first scan stays, covariance zero.

    Where the links disagree by more than they say, the covariance grows by chi squared over the degrees of freedom
    (Birge 1932, Phys. Rev. 40:207), never shrinks.
    """
    size = np.array([1.0, 1.0, 1.0, 1e-3, 1e-3, 1e-3])
    floor = np.diag([FLOOR_MM**2] * 3 + [FLOOR_RAD**2] * 3)
    white = [np.linalg.inv(np.linalg.cholesky(link.cov + floor)) for link in links]

    def moved(x: Array) -> list[Array]:
        steps = x.reshape(-1, 6) * size
        turns = [from_rotation_vector(s[3:]) for s in steps]
        shift = [rigid(r, c - r @ c + s[:3]) for r, c, s in zip(turns, about[1:], steps)]
        return [poses[0], *(m @ p for m, p in zip(shift, poses[1:]))]

    def misses(x: Array) -> Array:
        now = moved(x)
        return np.concatenate([w @ miss(link, now) for w, link in zip(white, links)])

    fit = least_squares(misses, np.zeros(6 * (len(poses) - 1)), method="lm", x_scale=1.0)
    freedom = len(fit.fun) - len(fit.x)
    grown = max(1.0, float(fit.fun @ fit.fun) / freedom) if freedom else 1.0
    jacobian = np.asarray(fit.jac)
    whole = grown * np.linalg.inv(jacobian.T @ jacobian)
    own = [whole[6 * k : 6 * k + 6, 6 * k : 6 * k + 6] * np.outer(size, size) for k in range(len(poses) - 1)]
    return moved(fit.x), [np.zeros((6, 6)), *own]
