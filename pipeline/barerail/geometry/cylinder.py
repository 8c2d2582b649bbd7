"""Geometric least-squares cylinder, alone or as a sleeve with two radii on one axis."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from barerail.errors import DataError
from barerail.geometry.circle import least_median, taubin
from barerail.geometry.frames import basis, lengths, unit
from barerail.geometry.leastsquares import Solution, inverse_normal, solve
from barerail.records import Array


@dataclass(frozen=True, eq=False)
class CylinderFit:
    """point: foot of the points' centroid on the axis; axis: unit, largest component positive; radius in mm.

    axes (3, 3): local frame, rows u, v, axis. residuals (n,): distance outside the surface, mm.
    jacobian (n, 5): of the residuals by (shift of `point` along u and v in mm, slope of the axis towards u and v,
    radius in mm); (n, 4) where the radius was given. weights (n,): final ones.
    """

    point: Array
    axis: Array
    radius: float
    residuals: Array
    jacobian: Array
    axes: Array
    weights: Array
    converged: bool


@dataclass(frozen=True, eq=False)
class SleeveFit:
    """As CylinderFit, rows of the outer points first; jacobian (n, 6) ends in both radii, `outer` then `inner`, mm."""

    point: Array
    axis: Array
    outer: float
    inner: float
    residuals: Array
    jacobian: Array
    axes: Array
    weights: Array
    converged: bool


def axis_from_normals(normals: ArrayLike, weights: ArrayLike | None = None) -> Array:
    """Unit axis (3,) most square to surface `normals` (n, 3): smallest eigenvector of sum w n nt.

    The Gaussian image of a cylinder is a great circle (Chaperon & Goulette 2001). DataError for fewer than 2 normals.
    """
    n = np.asarray(normals, float)
    if len(n) < 2:
        raise DataError(f"a cylinder's axis needs at least 2 normals, got {len(n)}")
    w = np.ones(len(n)) if weights is None else np.asarray(weights, float)
    axis = np.linalg.eigh(n.T @ (w[:, None] * n))[1][:, 0]
    return axis * np.copysign(1.0, axis[np.argmax(np.abs(axis))])


def fit_cylinder(
    points: ArrayLike,
    start_axis: ArrayLike | None = None,
    start_point: ArrayLike | None = None,
    start_radius: float | None = None,
    robust: bool = False,
    radius: float | None = None,
) -> CylinderFit:
    """Cylinder with the least sum of squared distances to `points` (n, 3), mm (Shakarji 1998, section 3.6).

    Starts left open are found: without an axis, a grid of directions is tried and the least rms kept.
    robust: Tukey weights. radius: held where given. DataError for too few points or ones that leave a number open.
    """
    p = np.asarray(points, float)
    _enough(p, 5 if radius is None else 4)
    middle = p.mean(axis=0)
    about = None if start_point is None else np.asarray(start_point, float) - middle
    shape = _Shape(p - middle, np.ones((len(p), 1)), radius, robust)
    axes, foot, x, s = _search(shape, start_axis, about, start_radius)
    r = float(x[4]) if radius is None else radius
    return CylinderFit(foot + middle, axes[2], r, s.residuals, s.jacobian, axes, s.weights, s.converged)


def fit_cylinder_shared(
    points_outer: ArrayLike, points_inner: ArrayLike, start_axis: ArrayLike | None = None, robust: bool = False
) -> SleeveFit:
    """Outer and inner surface of a sleeve, (n, 3) and (m, 3) mm, on one axis with two radii: six numbers.

    DataError as for `fit_cylinder`.
    """
    sides = np.asarray(points_outer, float), np.asarray(points_inner, float)
    p = np.vstack(sides)
    _enough(p, 6)
    if min(map(len, sides)) < 3:
        raise DataError(f"a sleeve needs 3 points on each surface, got {len(sides[0])} outside, {len(sides[1])} inside")
    middle = p.mean(axis=0)
    which = np.repeat(np.eye(2), [len(side) for side in sides], axis=0)
    axes, foot, x, s = _search(_Shape(p - middle, which, None, robust), start_axis, None, None)
    outer, inner = map(float, x[4:])
    return SleeveFit(foot + middle, axes[2], outer, inner, s.residuals, s.jacobian, axes, s.weights, s.converged)


@dataclass(frozen=True, eq=False)
class _Shape:
    """Centred points (n, 3), the radius each lies on as a column of `which` (n, 1 or 2), the radius where it is held.

    Parameters x: the axis passes (x0, y0, 0) of a frame with direction (a, b, 1), then the free radii.
    """

    points: Array
    which: Array
    held: float | None
    robust: bool

    def thinned(self, most: int) -> "_Shape":
        """At most so many points on each radius."""
        rows = [np.flatnonzero(column) for column in self.which.T]
        keep = np.concatenate([r[:: -(-len(r) // most)] for r in rows])
        return _Shape(self.points[keep], self.which[keep], self.held, self.robust)

    def rms(self, residuals: Array) -> float:
        """What the starts are judged by: root mean square, or root median where outliers are expected."""
        return float(np.sqrt(np.median(residuals**2) if self.robust else np.mean(residuals**2)))

    def off_axis(self, frame: Array, x: Array) -> tuple[Array, Array, Array]:
        """Distance from the axis (n,), unit direction away from it in the frame (n, 3) and place along it (n,)."""
        tangent = np.array([x[2], x[3], 1.0]) / np.sqrt(x[2] ** 2 + x[3] ** 2 + 1)
        d = self.points @ frame.T - [x[0], x[1], 0.0]
        along = d @ tangent
        away = d - np.outer(along, tangent)
        distance = lengths(away)
        return distance, away / np.maximum(distance, 1e-300)[:, None], along

    def residuals(self, frame: Array, x: Array) -> Array:
        return self.off_axis(frame, x)[0] - (self.which @ x[4:] if self.held is None else self.held)

    def jacobian(self, frame: Array, x: Array) -> Array:
        _, away, along = self.off_axis(frame, x)
        e = away[:, :2]
        lever = along / np.sqrt(x[2] ** 2 + x[3] ** 2 + 1)
        radii = self.which if self.held is None else self.which[:, :0]
        return -np.column_stack([e, lever[:, None] * e, radii])

    def refine(self, frame: Array, x: Array) -> Solution:
        loss: Literal["tukey"] | None = "tukey" if self.robust else None
        return solve(lambda x: self.residuals(frame, x), lambda x: self.jacobian(frame, x), x, loss=loss)

    def start(self, frame: Array, about: Array | None, radius: float | None) -> Array:
        """x with the axis along the frame's third row: through `about` where given, else a circle of the shadow."""
        shadow = self.points @ frame[:2].T
        if about is None:
            first = shadow[self.which[:, 0] > 0]
            centre = np.array((least_median if self.robust else taubin)(first)[:2])
        else:
            centre = frame[:2] @ about
        distance = np.hypot(*(shadow - centre).T)
        radii = [np.median(distance[column > 0]) if radius is None else radius for column in self.which.T]
        return np.array([*centre, 0.0, 0.0, *(radii if self.held is None else [])])


def _search(
    shape: _Shape, axis: ArrayLike | None, about: Array | None, radius: float | None
) -> tuple[Array, Array, Array, Solution]:
    """Axes (3, 3), foot of the centroid on the axis, parameters and solution, with the Jacobian in these axes."""
    thin = shape.thinned(200)
    tried = []
    for w in _directions(thin.points) if axis is None else [unit(axis)]:
        frame = basis(w)
        try:
            x = thin.start(frame, about, radius)
        except DataError:
            continue  # seen from here the points lie on one line
        tried.append((thin.rms(thin.residuals(frame, x)), frame, x))
    if not tried:
        raise DataError(f"a cylinder from {len(shape.points)} points: they lie on one line or in one plane")
    if about is None and len(tried) > 1:
        tried = [_improved(thin, t) for t in sorted(tried, key=lambda t: t[0])[:6]]
    _, frame, x = min(tried, key=lambda t: t[0])
    s = shape.refine(frame, x)
    inverse_normal(s.jacobian, s.weights)
    tangent = unit([s.x[2], s.x[3], 1.0]) @ frame
    tangent *= np.copysign(1.0, tangent[np.argmax(np.abs(tangent))])
    through = s.x[:2] @ frame[:2]
    foot = through - (through @ tangent) * tangent
    axes = basis(tangent)
    x = np.array([*(axes[:2] @ foot), 0.0, 0.0, *s.x[4:]])
    return axes, foot, x, replace(s, jacobian=shape.jacobian(axes, x))


def _improved(shape: _Shape, start: tuple[float, Array, Array]) -> tuple[float, Array, Array]:
    _, frame, x = start
    s = shape.refine(frame, x)
    return shape.rms(s.residuals), frame, s.x


def _directions(points: Array) -> list[Array]:
    """Principal directions of `points` (n, 3), then 64 spread evenly over the half sphere (Fibonacci lattice)."""
    principal = list(np.linalg.eigh(points.T @ points)[1].T)
    i = np.arange(64)
    z = (i + 0.5) / 64
    turn = i * np.pi * (3 - np.sqrt(5))
    ring = np.sqrt(1 - z * z)
    return principal + list(np.column_stack([ring * np.cos(turn), ring * np.sin(turn), z]))


def _enough(points: Array, parameters: int) -> None:
    if len(points) < parameters:
        raise DataError(f"a cylinder with {parameters} free numbers needs as many points, got {len(points)}")
