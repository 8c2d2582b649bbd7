"""The finest fit of the mirror plane to the surface, and its uncertainty from station blocks along the car."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import norm, t

from barerail.errors import DataError
from barerail.geometry.frames import basis
from barerail.geometry.mirror import Mirror
from barerail.geometry.robust import tukey_weights
from barerail.records import Array, Frozen, Index

from .candidates import wendland
from .refine import TUKEY, Match, match, refine, robust_scale
from .surface import Surface

BLOCK, FEWEST_BLOCKS = 600.0, 6
"""Length in mm along the car of a block of surface that counts as one observation, shorter where there would be fewer
than six: twice what a bend reaches along the frame."""
CUT = 12.0
ASIDE = 2.5
MIRRORS = 3.0


@dataclass(frozen=True, eq=False)
class SurfacePlane(Frozen):
    """The plane of the whole surface; cov (3, 3): of a step of `Mirror.moved`, standard uncertainties squared.

    share: of the surface that falls on surface within 3 mm when mirrored. scale: robust scatter of the residuals, mm.
    bend: what the mirror image of one block is off by, mm, from the scatter of the blocks.
    """

    mirror: Mirror
    cov: Array
    share: float
    scale: float
    blocks: int
    bend: float


def finish(surface: Surface, tree: cKDTree, mirror: Mirror, along: Array) -> SurfacePlane:
    """Refine on the finest points, each mm2 of surface with the same weight, and judge by blocks `along` the car."""
    source, slide = surface.picks(2 * surface.spacing), 1.5 * surface.spacing
    start = _best_start(source, surface, tree, mirror, along, slide)
    fitted = refine(source, surface, tree, start, (CUT,), slide, 1e-3)
    if fitted is None:
        raise DataError("datum: the mirror plane got lost on the finest points; scan more of both sides of the frame")
    m = match(source, surface, tree, fitted, CUT, slide)
    scale = robust_scale(m.residual, 0.02 * slide)
    share = float(source.area[m.rows[np.abs(m.residual) < MIRRORS]].sum() / source.area.sum())
    block = _blocks(source.points[m.rows] @ along)
    spread = sandwich(m, source.area[m.rows], scale, block)
    count = int(block.max()) + 1
    bend = 2 * float(np.sqrt(count * spread[2, 2]))
    return SurfacePlane(fitted, few_blocks(count) * spread, share, scale, count, bend)


def _blocks(place: Array) -> Index:
    """Number of the block each place along the car lies in, blocks without a place left out."""
    length = min(BLOCK, float(np.ptp(place)) / FEWEST_BLOCKS)
    return np.unique(np.floor((place - place.min()) / length).astype(np.int64), return_inverse=True)[1]


def _best_start(source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, along: Array, slide: float) -> Mirror:
    """The best by a 2 mm score of `mirror` and what is found from eight places around it.

    On open sections the inner face of a sheet can mirror on to its outer one at one end of the car: a wrong plane that
    is off by half the sheet there, and a local minimum.
    """
    few = source.fewer(3000)
    u, v, _ = basis(mirror.normal)
    reach = float(np.abs(few.points @ along).max())
    yaw = np.array([u @ along, v @ along, 0.0]) / reach
    shifts = [a * yaw + b * np.array([0.0, 0.0, 1.0]) for a in (0, -ASIDE, ASIDE) for b in (0, -ASIDE, ASIDE)]
    found = [refine(few, target, tree, mirror.moved(s), (CUT / 2,), slide, 0.02) for s in shifts]
    return max([m for m in found if m is not None] or [mirror], key=lambda m: tight(few, target, tree, m, 2.0))


def tight(source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, within: float) -> float:
    """Score 0 to 1 of a plane: mean over the surface of Wendland's function of the misfit, 0 from `within` mm on."""
    m = match(source, target, tree, mirror, within, 1.5 * target.spacing)
    return float(source.area[m.rows] @ wendland(m.residual, within) / source.area.sum())


def sandwich(m: Match, area: Array, scale: float, block: Index) -> Array:
    """Covariance (3, 3) of the fit from how the blocks disagree: H^-1 (sum_b g_b g_b^T) H^-1.

    g_b = sum of area w r J in block b, H = sum of area w J J^T, w the biweight (cluster-robust: Liang & Zeger 1986,
    Biometrika 73:13-22). What bends the two sides differently within a block, noise and drift included, is in it.
    """
    weight = area * tukey_weights(m.residual, TUKEY, scale)
    pull = m.jacobian * (weight * m.residual)[:, None]
    g = np.stack([np.bincount(block, p) for p in pull.T], axis=1)
    h = np.linalg.inv((m.jacobian * weight[:, None]).T @ m.jacobian)
    return h @ (g.T @ g) @ h


def few_blocks(count: int) -> float:
    """What a sandwich of so many blocks grows by: B / (B - 3) for the three numbers fitted, and for k = 2 to mean 95 %
    the square of Student's factor with B - 3 degrees of freedom over 2. DataError under 4 blocks."""
    if count < 4:
        raise DataError(f"datum: only {count} stretches of the frame have a mirror image, 4 are needed; scan more")
    student = float(t.ppf(norm.cdf(2.0), count - 3)) / 2
    return student**2 * count / (count - 3)
