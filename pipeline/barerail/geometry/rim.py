"""The rim of a hole as what it is: face points fall outside it and none inside, wall points lie on it.

With face points of even density outside a curve of area A, and none inside, the likelihood is exp(density A) as long
as the curve holds no face point; each wall point adds a Gaussian of its distance to the curve. The posterior mean
under a flat prior has no diameter bias from the point spacing, and gives the covariance with it. Summed on a grid
that follows the posterior.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from barerail.records import Array

STRAY = 0.02
OUTLIER = 0.05


@dataclass(frozen=True)
class RimPoints:
    """Points about one hole in its face's plane, mm: `face` (n, 2) on the face, `wall` (m, 2) down the wall.

    density: face points per mm2. noise: sd of a wall point across the wall. edge: softness (sd) of the rim.
    """

    face: Array
    wall: Array
    density: float
    noise: float
    edge: float


@dataclass(frozen=True)
class Rim:
    """Posterior mean of the curve's parameters and their covariance (mm, rad), and how well the rim closes.

    misfit: face points deep inside the curve less those that strays explain.
    """

    mean: Array
    cov: Array
    wall_rms: float
    n_wall: int
    misfit: float


Curve = Callable[[Array, Array], Array]
"""Signed distance (k, n) outward from k curves (k, p) to n points (n, 2)."""


def circle(parameters: Array, xy: Array) -> Array:
    """Signed distances (k, n) of xy (n, 2) outside the circles (x, y, r) (k, 3)."""
    dx = xy[None, :, 0] - parameters[:, 0, None]
    dy = xy[None, :, 1] - parameters[:, 1, None]
    return np.hypot(dx, dy) - parameters[:, 2, None]


def circle_area(parameters: Array) -> Array:
    """Areas (k,) in mm2 of circles (x, y, r)."""
    return np.pi * parameters[:, 2] ** 2


def stadium(parameters: Array, xy: Array) -> Array:
    """Signed distances (k, n) of xy (n, 2) outside the slots (x, y, direction, half length, r) (k, 5)."""
    c, s = np.cos(parameters[:, 2, None]), np.sin(parameters[:, 2, None])
    dx, dy = xy[None, :, 0] - parameters[:, 0, None], xy[None, :, 1] - parameters[:, 1, None]
    along, across = dx * c + dy * s, dy * c - dx * s
    past = np.maximum(np.abs(along) - parameters[:, 3, None], 0.0)
    return np.hypot(past, across) - parameters[:, 4, None]


def stadium_area(parameters: Array) -> Array:
    """Areas (k,) in mm2 of slots (x, y, direction, half length, r); half length of the straight part."""
    return parameters[:, 4] * (np.pi * parameters[:, 4] + 4 * parameters[:, 3])


def log_likelihood(parameters: Array, points: RimPoints, curve: Curve, area: Callable[[Array], Array]) -> Array:
    """Log likelihood (k,) of curves (k, p) up to a constant."""
    inside = ndtr(curve(parameters, points.face) / points.edge)
    value = points.density * (1 - STRAY) * area(parameters) + np.log(STRAY + (1 - STRAY) * inside).sum(axis=1)
    if len(points.wall):
        z = curve(parameters, points.wall) / points.noise
        value += np.log(OUTLIER * 0.1 + (1 - OUTLIER) * np.exp(-0.5 * z**2)).sum(axis=1)
    return value


def fit_rim(points: RimPoints, start: Array, width: Array, curve: Curve, area: Callable[[Array], Array]) -> Rim:
    """Posterior of a curve from `start` (p,), looked for within `width` (p,) either side, then closer in."""
    mean, sd = np.asarray(start, float), np.asarray(width, float) / 2.5
    p = len(mean)
    per_axis = {3: 9, 5: 7}[p]
    unit = np.stack(np.meshgrid(*[np.linspace(-2.5, 2.5, per_axis)] * p, indexing="ij"), -1).reshape(-1, p)
    frame = np.diag(sd)
    for _ in range(5):
        points = _close_by(points, mean, 2.5 * float(np.abs(frame).sum(axis=1).max()), curve)
        grid = mean + unit @ frame.T
        grid = grid[(grid[:, -1] > 0.5) & (grid[:, -2] >= 0 if p == 5 else True)]
        log = log_likelihood(grid, points, curve, area)
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mean = weight @ grid
        d = grid - mean
        cov = (d * weight[:, None]).T @ d + 1e-12 * np.eye(p)
        values, vectors = np.linalg.eigh(cov)
        step = 5.0 / (per_axis - 1) * np.linalg.norm(frame.T @ vectors, axis=0)
        spread = np.maximum(np.sqrt(values), 0.45 * step)
        frame = vectors * (1.4 * spread)
    return Rim(mean, cov, *_support(mean, points, curve))


def _close_by(points: RimPoints, mean: Array, reach: float, curve: Curve) -> RimPoints:
    """The same without face points so far outside that no curve of the grid comes near them."""
    near = curve(mean[None], points.face)[0] < 2 * reach + 4 * points.edge
    return replace(points, face=points.face[near])


def _support(mean: Array, points: RimPoints, curve: Curve) -> tuple[float, int, float]:
    wall = curve(mean[None], points.wall)[0] if len(points.wall) else np.zeros(0)
    near = wall[np.abs(wall) < 4 * points.noise]
    deep = float((curve(mean[None], points.face)[0] < -3 * points.edge - 0.3).sum())
    rms = float(np.sqrt((near**2).mean())) if len(near) else float("nan")
    return rms, len(near), deep
