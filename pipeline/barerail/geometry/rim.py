"""The rim of a hole as what it is: face points fall outside it and none inside, wall points lie on it.

With face points of even density outside a curve of area A, and none inside, the likelihood is exp(density A) as long
as the curve holds no face point; each wall point adds a Gaussian of its distance to the curve. The posterior mean
under a flat prior has no diameter bias from the point spacing, and gives the covariance with it. Summed by
importance sampling from a normal density that follows the posterior.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.special import ndtr, ndtri

from barerail.records import Array

STRAY = 0.02
OUTLIER = 0.05
SETTLED = 6.0
"""Distance from the rim, in its softness, from which a face point is surely outside or inside, to 5e-8 of its log."""
WIDER = 1.3
"""Spread of the sampled normal density over the posterior's: its tails must be the wider ones."""
MOST_ROUNDS, ENOUGH = 20, 3
"""Rounds of sampling, and how many with the whole likelihood end them."""
BOUND = 3.0
EFFECTIVE = 0.02
"""Least share of the curves that must carry the weight (Kish's effective number)."""
LOT = 65_536
"""Distances of points from curves that are worked on at once."""
DRAWS = {3: 300, 5: 2400}
ROUGH = 600
"""Curves tried in each round, by their number of parameters, and where a first idea of a slot will do."""


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

    misfit: face points deep inside the curve less those that strays explain. upright: in a fused mesh, whether the wall
    was seen all round.
    """

    mean: Array
    cov: Array
    wall_rms: float
    n_wall: int
    misfit: float
    upright: bool = False


Curve = Callable[[Array, Array], Array]
"""Signed distance (k, n) outward from k curves (k, p) to n points (n, 2)."""


def circle(parameters: Array, xy: Array) -> Array:
    """Signed distances (k, n) of xy (n, 2) outside the circles (x, y, r) (k, 3)."""
    dx = xy[None, :, 0] - parameters[:, 0, None]
    dy = xy[None, :, 1] - parameters[:, 1, None]
    return np.sqrt(dx * dx + dy * dy) - parameters[:, 2, None]


def circle_area(parameters: Array) -> Array:
    """Areas (k,) in mm2 of circles (x, y, r)."""
    return np.pi * parameters[:, 2] ** 2


def stadium(parameters: Array, xy: Array) -> Array:
    """Signed distances (k, n) of xy (n, 2) outside the slots (x, y, direction, half length, r) (k, 5)."""
    c, s = np.cos(parameters[:, 2, None]), np.sin(parameters[:, 2, None])
    dx, dy = xy[None, :, 0] - parameters[:, 0, None], xy[None, :, 1] - parameters[:, 1, None]
    along, across = dx * c + dy * s, dy * c - dx * s
    past = np.maximum(np.abs(along) - parameters[:, 3, None], 0.0)
    return np.sqrt(past * past + across * across) - parameters[:, 4, None]


def stadium_area(parameters: Array) -> Array:
    """Areas (k,) in mm2 of slots (x, y, direction, half length, r); half length of the straight part."""
    return parameters[:, 4] * (np.pi * parameters[:, 4] + 4 * parameters[:, 3])


def log_likelihood(parameters: Array, points: RimPoints, curve: Curve, area: Callable[[Array], Array]) -> Array:
    """Log likelihood (k,) of curves (k, p) up to a constant; by lots of curves, so that a lot stays in the cache."""
    lot = max(1, LOT // max(len(points.face), 1))
    lots = np.split(parameters, range(lot, len(parameters), lot))
    return np.concatenate([_log_likelihood(some, points, curve, area) for some in lots])


def _log_likelihood(parameters: Array, points: RimPoints, curve: Curve, area: Callable[[Array], Array]) -> Array:
    off = curve(parameters, points.face) / points.edge
    each = np.where(off < 0, np.log(STRAY), 0.0)
    near = np.abs(off) < SETTLED
    each[near] = np.log(STRAY + (1 - STRAY) * ndtr(off[near]))
    value = points.density * (1 - STRAY) * area(parameters) + each.sum(axis=1)
    if len(points.wall):
        z = curve(parameters, points.wall) / points.noise
        value += np.log(OUTLIER * 0.1 + (1 - OUTLIER) * np.exp(-0.5 * z**2)).sum(axis=1)
    return value


def fit_rim(
    points: RimPoints, start: Array, width: Array, curve: Curve, area: Callable[[Array], Array], draws: int = 0
) -> Rim:
    """Posterior of a curve from `start` (p,), looked for within `width` (p,) either side, then closer in.

    Nothing further off than BOUND widths is a candidate: beyond an open end the likelihood grows without limit. What
    ends up over half that far off is as good as unknown, and its variance says so. draws: curves tried in each round, 0
    for DRAWS.
    """
    mean, frame, bound = np.asarray(start, float), np.diag(np.asarray(width, float) / 1.8), BOUND * np.asarray(width)
    p = len(mean)
    unit = _normal_points(p, draws or DRAWS[p])
    outlying = 0.5 * (unit**2).sum(axis=1)
    calm = 0
    for _ in range(MOST_ROUNDS):
        points = _close_by(points, mean, 3.0 * float(np.linalg.norm(frame, axis=1).sum()), curve)
        tried = mean + unit @ frame.T
        fair = (tried[:, -1] > 0.5) & (tried[:, -2] >= 0 if p == 5 else True)
        fair &= (np.abs(tried - start) <= bound).all(axis=1)
        weight, whole = _weights(log_likelihood(tried[fair], points, curve, area) + outlying[fair])
        mean = np.asarray(weight @ tried[fair], float)
        d = tried[fair] - mean
        cov = (d * weight[:, None]).T @ d + 1e-12 * np.eye(p)
        calm = calm + 1 if whole else 0
        if calm == ENOUGH:
            break
        frame = WIDER * np.linalg.cholesky(cov)
    cov += np.diag(np.where(np.abs(mean - start) > bound / 2, bound, 0.0) ** 2)
    return Rim(mean, cov, *_support(mean, points, curve))


def _weights(log: Array) -> tuple[Array, bool]:
    """Weights (k,) that sum to 1, and whether they are the likelihood's own.

    Where that would leave few curves with weight, it is flattened until it doesn't: the samples then close in on it.
    """
    log, power = log - log.max(), 1.0
    while True:
        weight = np.exp(power * log)
        weight /= weight.sum()
        if (weight @ weight) * EFFECTIVE * len(log) <= 1.0 or power < 1e-9:
            return weight, power == 1.0
        power /= 1.4


@cache
def _normal_points(p: int, draws: int) -> Array:
    """Evenly spread normal deviates (draws, p), each with its opposite: an additive recurrence on the unit cube.

    Niederreiter 1992, Random Number Generation and Quasi-Monte Carlo Methods, section 3.1; steps are the powers of
    the root of x^(p + 1) = x + 1.
    """
    root = max(r.real for r in np.roots([1.0, *[0.0] * (p - 1), -1.0, -1.0]) if abs(r.imag) < 1e-12)
    cube = (0.5 + np.outer(np.arange(1, draws // 2 + 1), root ** -np.arange(1.0, p + 1))) % 1.0
    unit = ndtri(cube)
    return np.concatenate([unit, -unit])


def _close_by(points: RimPoints, mean: Array, reach: float, curve: Curve) -> RimPoints:
    """The same without face points so far outside that no curve of the grid comes near them."""
    near = curve(mean[None], points.face)[0] < reach + 4 * points.edge
    return replace(points, face=points.face[near])


def _support(mean: Array, points: RimPoints, curve: Curve) -> tuple[float, int, float]:
    wall = curve(mean[None], points.wall)[0] if len(points.wall) else np.zeros(0)
    near = wall[np.abs(wall) < 4 * points.noise]
    deep = float((curve(mean[None], points.face)[0] < -3 * points.edge - 0.3).sum())
    rms = float(np.sqrt((near**2).mean())) if len(near) else float("nan")
    return rms, len(near), deep
