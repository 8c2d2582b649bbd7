"""Two surfaces brought together by robust multi-scale point-to-plane steps, and how well that holds the pose."""

from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import from_rotation_vector, rigid, transform
from barerail.geometry.leastsquares import symmetric
from barerail.geometry.registration.surface import Surface
from barerail.geometry.robust import tukey_weights
from barerail.records import Array, Index

ALIKE = np.cos(np.radians(30.0))
"""Least cosine between the normals of partners."""
FEWEST = 12
BLOCK_MM = 200.0
"""Edge of the blocks whose errors count as independent of each other (judgement)."""


@dataclass(frozen=True, eq=False)
class Partners:
    """Smooth points of one surface that have one of the other's close by that faces their way.

    rows (k,): of the moved surface; at (k, 3): where they lie; normals (k, 3): unit sum of both normals, which makes
    the distances (k,) along them, mm, right on bent surfaces too (Rusinkiewicz 2019, ACM Trans. Graph. 38(4):85).
    """

    rows: Index
    at: Array
    normals: Array
    distance: Array


def partners(target: Surface, moving: Surface, pose: Array, reach: float, rows: Index) -> Partners:
    """Partners in `target` of the given rows of `moving`, at most `reach` mm off along the normals."""
    points, normals = transform(pose, moving.points[rows]), moving.normals[rows] @ pose[:3, :3].T
    gap, near = target.tree.query(
        points, [1, 2, 3], distance_upper_bound=np.hypot(reach, 1.5 * target.edge), workers=-1
    )
    other = target.even[np.where(np.isfinite(gap), near, 0)]
    cosine = np.einsum("mi,mki->mk", normals, target.normals[other])
    sign = np.sign(cosine) if not (target.oriented and moving.oriented) else np.ones_like(cosine)
    fits = np.isfinite(gap) & (sign * cosine > ALIKE)
    first = np.argmax(fits, axis=1)[:, None]
    other = np.take_along_axis(other, first, axis=1)[:, 0]
    mean = np.take_along_axis(sign, first, axis=1) * target.normals[other] + normals
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-12)
    off = np.einsum("mi,mi->m", points - target.points[other], mean)
    ok = fits.any(axis=1) & (np.abs(off) < reach)
    return Partners(rows[ok], points[ok], mean[ok], off[ok])


def settled(
    target: Surface, moving: Surface, pose: Array, reaches: tuple[float, ...], rows: Index, rounds: int = 8
) -> Array:
    """`pose` (4, 4) after up to `rounds` robust steps at each of the reaches, mm; as it was where nothing is near.

    Gauss-Newton point-to-plane (Chen & Medioni 1992, Image Vis. Comput. 10:145) with Tukey's weights: what is beyond
    reach counts nothing.
    """
    for reach in reaches:
        for _ in range(rounds):
            found = partners(target, moving, pose, reach, rows)
            if len(found.rows) < FEWEST:
                return pose
            step = _step(found, reach)
            pose = step @ pose
            if np.abs(step[:3, 3]).max() < 1e-4 and np.abs(step[:3, :3] - np.eye(3)).max() < 1e-7:
                break
    return pose


def _design(found: Partners, about: Array) -> Array:
    """Derivative (k, 6) of the distances by a shift in mm, and by a turn in rad about `about`."""
    return np.hstack([found.normals, np.cross(found.at - about, found.normals)])


def _step(found: Partners, reach: float) -> Array:
    about = found.at.mean(axis=0)
    a = _design(found, about)
    arm = max(float(np.sqrt((a[:, 3:] ** 2).mean())), 1.0)
    a[:, 3:] /= arm
    weight = tukey_weights(found.distance, 1.0, reach)
    h = a.T @ (weight[:, None] * a)
    x = np.linalg.solve(h + 1e-6 * np.trace(h) * np.eye(6), -a.T @ (weight * found.distance))
    turn = from_rotation_vector(x[3:] / arm)
    return rigid(turn, about - turn @ about + x[:3])


def held(found: Partners, reach: float, about: Array) -> Array:
    """Covariance (6, 6) of the pose, (shift in mm, turn in rad) about `about`, from how blocks of partners pull at it.

    Sandwich H^-1 sum(g g') H^-1 over blocks of BLOCK_MM, g a block's sum of weight, derivative and distance (Liang &
    Zeger 1986, Biometrika 73:13), widened for few blocks as by a jackknife.
    """
    a = _design(found, about)
    weight = tukey_weights(found.distance, 1.0, reach)
    h = np.linalg.pinv(a.T @ (weight[:, None] * a), hermitian=True)
    block = np.unique(np.floor(found.at / BLOCK_MM).astype(np.int64), axis=0, return_inverse=True)[1].ravel()
    pull = (weight * found.distance)[:, None] * a
    g = np.array([np.bincount(block, p) for p in pull.T])
    count = g.shape[1]
    return symmetric(h @ (g @ g.T) @ h) * (count / max(count - 2, 0.5))
