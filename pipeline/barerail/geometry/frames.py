"""Frames: rotations (3, 3), maps (4, 4) that read like `car_from_scan @ point_scan`, and the rigid best fit."""

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.records import Array


def unit(vector: ArrayLike) -> Array:
    """`vector` (3,) at length one. DataError where it has no length."""
    v = np.asarray(vector, float)
    length = float(np.linalg.norm(v))
    if not np.isfinite(length) or length == 0:
        raise DataError(f"a direction needs a length, got {v.tolist()}")
    return v / length


def basis(normal: ArrayLike) -> Array:
    """Right-handed (3, 3) with rows u, v, n; smooth in n over each half space of z.

    Duff et al. 2017, Building an Orthonormal Basis, Revisited, JCGT 6(1), listing 3.
    """
    x, y, z = n = unit(normal)
    sign = np.copysign(1.0, z)
    a = -1.0 / (sign + z)
    b = x * y * a
    return np.array([[1.0 + sign * x * x * a, sign * b, -sign * x], [b, sign + y * y * a, -y], n])


def lengths(vectors: Array) -> Array:
    """Lengths (n,) of vectors (n, 3), twice as fast as numpy's norm of rows."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", vectors, vectors)))


def skew(vector: ArrayLike) -> Array:
    """(3, 3) matrix that takes the cross product: skew(a) @ b = a x b."""
    x, y, z = np.asarray(vector, float)
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def from_rotation_vector(vector: ArrayLike) -> Array:
    """(3, 3) turn by |vector| rad about it (Rodrigues)."""
    v = np.asarray(vector, float)
    angle = float(np.linalg.norm(v))
    k = skew(v)
    half = np.sinc(angle / (2 * np.pi))  # sin(angle / 2) / (angle / 2), exact at zero
    return np.eye(3) + np.sinc(angle / np.pi) * k + 0.5 * half**2 * (k @ k)


def rotation_between(a: ArrayLike, b: ArrayLike) -> Array:
    """(3, 3) least turn that takes direction `a` to `b`; half a turn about basis(a)[0] where they are opposite."""
    p, q = unit(a), unit(b)
    if p @ q >= 0:
        return _near_turn(p, q)
    axis = np.cross(p, q)
    u = axis if np.linalg.norm(axis) > 1e-12 else basis(p)[0]
    u = unit(u - (u @ p) * p)
    return _near_turn(-p, q) @ (2 * np.outer(u, u) - np.eye(3))  # half a turn about u takes p to -p


def _near_turn(p: Array, q: Array) -> Array:
    """(3, 3) least turn from unit p to unit q at most a right angle away."""
    k = skew(np.cross(p, q))
    return np.eye(3) + k + k @ k / (1 + p @ q)


def rigid(rotation: ArrayLike, translation: ArrayLike = (0.0, 0.0, 0.0)) -> Array:
    """(4, 4) map x -> rotation x + translation."""
    t = np.eye(4)
    t[:3, :3] = rotation
    t[:3, 3] = translation
    return t


def mirror(normal: ArrayLike, distance: float) -> Array:
    """(4, 4) reflection in the plane normal . x = distance, normal at length one."""
    n = unit(normal)
    return rigid(np.eye(3) - 2 * np.outer(n, n), 2 * distance * n)


def check_proper(matrix: Array) -> Array:
    """`matrix` (4, 4) or (3, 3) itself where its rotation is proper; DataError that names a mirror or a scale."""
    r = np.asarray(matrix)[:3, :3]
    if not np.allclose(r @ r.T, np.eye(3), rtol=0, atol=1e-9):
        raise DataError("the map isn't a rotation: it stretches or shears; give one without scale")
    if np.linalg.det(r) < 0:
        raise DataError("the map is a mirror (determinant -1): it swaps left and right; give a proper rotation")
    return matrix


def transform(matrix: Array, points: ArrayLike) -> Array:
    """Points (n, 3) or (3,) mapped by `matrix` (4, 4)."""
    return np.asarray(points, float) @ matrix[:3, :3].T + matrix[:3, 3]


def direction(matrix: Array, vectors: ArrayLike) -> Array:
    """Vectors (n, 3) or (3,) turned by `matrix` (4, 4); not moved."""
    return np.asarray(vectors, float) @ matrix[:3, :3].T


def invert(matrix: Array) -> Array:
    """Inverse of a (4, 4) rotation (or mirror) and translation."""
    r = matrix[:3, :3]
    return rigid(r.T, -r.T @ matrix[:3, 3])


def best_fit_rigid(a: ArrayLike, b: ArrayLike, weights: ArrayLike | None = None) -> Array:
    """Proper (4, 4) map of `a` (n, 3) onto `b` (n, 3) with the least weighted squares (Kabsch 1976; Umeyama 1991).

    DataError where fewer than 3 points, or points on one line, leave a turn open.
    """
    p, q = np.asarray(a, float), np.asarray(b, float)
    w = np.ones(len(p)) if weights is None else np.asarray(weights, float)
    if np.count_nonzero(w) < 3:
        raise DataError(f"a rigid fit needs at least 3 point pairs, got {np.count_nonzero(w)}")
    cp, cq = w @ p / w.sum(), w @ q / w.sum()
    u, s, vt = np.linalg.svd((q - cq).T @ (w[:, None] * (p - cp)))
    if s[1] <= 1e-12 * s[0]:
        raise DataError(f"a rigid fit of {len(p)} point pairs: they lie on one line, so a turn stays open")
    r = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return rigid(r, cq - r @ cp)
