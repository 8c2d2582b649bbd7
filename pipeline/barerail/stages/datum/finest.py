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

SLOW = 1000.0
"""Length in mm along the car over which the scanner's slow error is one (wavelengths are metres)."""
BLOCK, FEWEST_BLOCKS = 600.0, 6
"""Length in mm along the car of a block of surface that counts as one observation, shorter where there would be fewer
than six: twice what a bend reaches along the frame."""
CUT = 12.0
ASIDE = 2.5
MIRRORS = 3.0


@dataclass(frozen=True, eq=False)
class SurfacePlane(Frozen):
    """The plane of the whole surface; cov (3, 3): of a step of `Mirror.moved`, standard uncertainties squared, which is
    `spread` widened for few blocks.

    share: of the surface that falls on surface within 3 mm when mirrored. scale: robust scatter of the residuals, mm.
    bend: what the mirror image of one block is off by, mm, from the scatter of the blocks. slow (3, 3): what the
    scanner's slow error adds to `cov`; it moves surface and features alike.
    """

    mirror: Mirror
    spread: Array
    cov: Array
    share: float
    scale: float
    blocks: int
    bend: float
    slow: Array


def finish(surface: Surface, tree: cKDTree, mirror: Mirror, along: Array, drift_mm: float) -> SurfacePlane:
    """Refine on the finest points, each mm2 of surface with the same weight, and judge by blocks `along` the car.

    The covariance is the jackknife's, widened for few blocks; `drift_mm`: slow error of the scanner, 1 sd.
    """
    source, slide = surface.picks(2 * surface.spacing), 1.5 * surface.spacing
    start = _best_start(source, surface, tree, mirror, along, slide)
    near = refine(source.fewer(20_000), surface, tree, start, (CUT,), slide, 1e-3) or start
    fitted = refine(source, surface, tree, near, (CUT,), slide, 5e-4)
    if fitted is None:
        raise DataError("datum: the mirror plane got lost on the finest points; scan more of both sides of the frame")
    m = match(source, surface, tree, fitted, CUT, slide)
    scale = robust_scale(m.residual, 0.02 * slide)
    area = source.area[m.rows]
    share = float(area[np.abs(m.residual) < MIRRORS].sum() / source.area.sum())
    place = source.points[m.rows] @ along
    block = _blocks(place, BLOCK)
    count = int(block.max()) + 1
    widening = few_blocks(count)
    weight = area * tukey_weights(m.residual, TUKEY, scale)
    spread = jackknife(m, weight, block)
    slow = drift(m, weight, _blocks(place, SLOW), fitted, source.points[m.rows], drift_mm)
    bend = 2 * float(np.sqrt(count * spread[2, 2]))
    return SurfacePlane(fitted, spread, widening * spread, share, scale, count, bend, slow)


def _blocks(place: Array, length: float) -> Index:
    """Number of the block each place along the car lies in, blocks without a place left out."""
    length = min(length, float(np.ptp(place)) / FEWEST_BLOCKS)
    return np.unique(np.floor((place - place.min()) / length).astype(np.int64), return_inverse=True)[1]


def _best_start(source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, along: Array, slide: float) -> Mirror:
    """The best by a 2 mm score of `mirror` and what is found from places around it.

    On open sections the inner face of a sheet can mirror on to its outer one, at one end of the car or all along: a
    wrong plane and a local minimum, millimetres off.
    """
    few = source.fewer(3000)
    u, v, _ = basis(mirror.normal)
    reach = float(np.abs(few.points @ along).max())
    yaw = np.array([u @ along, v @ along, 0.0]) / reach
    shifts = [ASIDE * (a * yaw + b * np.array([0.0, 0.0, 1.0])) for a in (-1, 0, 1) for b in range(-3, 4)]
    found = [refine(few, target, tree, mirror.moved(s), (CUT / 2,), slide, 0.02) for s in shifts]
    return max([m for m in found if m is not None] or [mirror], key=lambda m: tight(few, target, tree, m, 2.0))


def tight(source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, within: float) -> float:
    """Score 0 to 1 of a plane: mean over the surface of Wendland's function of the misfit, 0 from `within` mm on."""
    m = match(source, target, tree, mirror, within, 1.5 * target.spacing)
    return float(source.area[m.rows] @ wendland(m.residual, within) / source.area.sum())


def jackknife(m: Match, weight: Array, block: Index) -> Array:
    """Covariance (3, 3) of the fit from what leaving out one block at a time does to it: (B - 1) / B sum d_b d_b^T.

    d_b = (H - H_b)^-1 g_b, with g_b = sum of w r J in block b, H_b = sum of w J J^T in it, H over all: the
    cluster-robust sandwich (Liang & Zeger 1986, Biometrika 73:13-22) as a jackknife (Bell & McCaffrey 2002, Surv.
    Methodol. 28:169-181), which also sees what a block at the end of the car pulls the plane to itself. What bends the
    two sides differently, noise and drift included, is in it.
    """
    count = int(block.max()) + 1
    g, h = np.zeros((count, 3)), np.zeros((count, 3, 3))
    for b in range(count):
        j, w = m.jacobian[block == b], weight[block == b]
        g[b], h[b] = (j * w[:, None]).T @ m.residual[block == b], (j * w[:, None]).T @ j
    d = np.linalg.solve(h.sum(0) - h, g[:, :, None])[:, :, 0]
    return (count - 1) / count * d.T @ d


def drift(m: Match, weight: Array, block: Index, mirror: Mirror, points: Array, drift_mm: float) -> Array:
    """Covariance (3, 3) of the fit from a slow error of the scanner: one vector a block and side, sd `drift_mm` a way.

    Mirrored left error less right one, e, has variance 2 drift_mm^2 each way. It moves a left point's residual by
    there . e and, seen the other way round, a right one's by -(there mirrored) . e; H^-1 sum_b G_b G_b^T H^-1 with
    G_b = sum of w J times those.
    """
    flipped = m.there - 2 * (m.there @ mirror.normal)[:, None] * mirror.normal
    way = np.where((mirror.heights(points) > 0)[:, None], m.there, -flipped)
    pull = np.einsum("kp,ki->kpi", m.jacobian * weight[:, None], way).reshape(-1, 9)
    g = np.stack([np.bincount(block, p) for p in pull.T], axis=1).reshape(-1, 3, 3)
    h = np.linalg.inv((m.jacobian * weight[:, None]).T @ m.jacobian)
    return 2 * drift_mm**2 * h @ np.einsum("bpi,bqi->pq", g, g) @ h


def few_blocks(count: int) -> float:
    """What the covariance from so many blocks grows by for k = 2 to mean 95 %: the square of Student's factor with
    B - 3 degrees of freedom over 2. DataError under 4 blocks."""
    if count < 4:
        raise DataError(f"datum: only {count} stretches of the frame have a mirror image, 4 are needed; scan more")
    return (float(t.ppf(norm.cdf(2.0), count - 3)) / 2) ** 2
