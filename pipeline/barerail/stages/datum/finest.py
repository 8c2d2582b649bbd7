"""The finest fit of the mirror plane to the surface, and its uncertainty from station blocks along the car."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import f, norm, t

from barerail.errors import DataError
from barerail.forked import mapped
from barerail.geometry.drift import LENGTH_MM
from barerail.geometry.frames import basis
from barerail.geometry.mirror import Mirror
from barerail.records import Array, Frozen, Index

from .bends import Bends, BentFit, bent_fit, inverse
from .candidates import wendland
from .refine import Match, match, refine
from .surface import Surface

BLOCK, FEWEST_BLOCKS = 600.0, 6
"""Length in mm along the car of a block of surface that counts as one observation, shorter where there would be fewer
than six: twice what a bend reaches along the frame."""
FEIGNED = 0.001
"""Bends that an unbent frame shows more often than this are none: they would only take dents into the plane."""
CUT = 12.0
ASIDE, ALIKE_MM, BEST = 2.5, 0.5, 4
"""Step in mm between the places the plane is looked for from, how far apart what is found must be to count twice, and
how many of them are followed to the end (judgement)."""
MIRRORS = 3.0


@dataclass(frozen=True, eq=False)
class SurfacePlane(Frozen):
    """The plane of the whole surface; cov (3, 3): of a step of `Mirror.moved`, standard uncertainties squared, which is
    `spread` widened for few blocks. bends: the twist and sidesway it was told apart from.

    share: of the surface that falls on surface within 3 mm when mirrored, bends apart. scale: robust scatter of the
    residuals, mm. bend: what the mirror image of one block is off by, mm, from the scatter of the blocks. slow (3, 3):
    what the scanner's slow error adds to `cov`; it moves surface and features alike. meant (3, 3): what a bent frame
    adds, whose best mirror depends on how much of which stretch was seen (definitional uncertainty, JCGM 200:2012,
    2.27): mean square of what leaving out one block of its bends does.
    """

    mirror: Mirror
    bends: Bends
    spread: Array
    cov: Array
    share: float
    scale: float
    blocks: int
    bend: float
    slow: Array
    meant: Array


def finish(surface: Surface, tree: cKDTree, mirror: Mirror, along: Array, drift_mm: float) -> SurfacePlane:
    """Refine on the finest points, each mm2 of surface with the same weight, and judge by blocks `along` the car.

    The covariance is the jackknife's, widened for few blocks; `drift_mm`: slow error of the scanner, 1 sd.
    """
    source, slide = surface.picks(3 * surface.spacing), 1.5 * surface.spacing
    start = _best_start(source, surface, tree, mirror, along, slide)
    few = source.fewer(20_000)
    rough = bent_fit(few, surface, tree, start, along, CUT)
    if not _borne_out(rough, _blocks(few.points[rough.match.rows] @ along, BLOCK)):
        rough = bent_fit(few, surface, tree, start, along, CUT, modes=0)
    fit = bent_fit(source, surface, tree, rough.mirror, along, CUT, modes=len(rough.bends.size))
    points, area = source.points[fit.match.rows], source.area[fit.match.rows]
    share = float(area[np.abs(fit.residual) < MIRRORS].sum() / source.area.sum())
    place = points @ along
    block = _blocks(place, BLOCK)
    count = int(block.max()) + 1
    widening = few_blocks(count)
    spread = jackknife(fit.design, fit.residual, fit.weight, block)[:3, :3]
    slow = drift(fit.match, fit.design, fit.weight, place, fit.mirror, points, drift_mm)[:3, :3]
    bend = 2 * float(np.sqrt(count * spread[2, 2]))
    steps, off = fit.mirror.by_step(points).reshape(-1, 3), fit.bends.misfit(points, fit.mirror).ravel()
    meant = jackknife(steps, off, np.repeat(fit.weight, 3), np.repeat(block, 3)) / (count - 1)
    return SurfacePlane(fit.mirror, fit.bends, spread, widening * spread, share, fit.scale, count, bend, slow, meant)


def _borne_out(fit: BentFit, block: Index) -> bool:
    """Whether the bends are more than dents and the scanner's drift feign: F test of both against the blocks."""
    count = int(block.max()) + 1
    few_blocks(count)
    cov = jackknife(fit.design, fit.residual, fit.weight, block)[3:, 3:]
    size = fit.bends.size
    return bool(size @ inverse(cov) @ size / len(size) > f.ppf(1 - FEIGNED, len(size), count - 3))


def _blocks(place: Array, length: float) -> Index:
    """Number of the block each place along the car lies in, blocks without a place left out."""
    length = min(length, float(np.ptp(place)) / FEWEST_BLOCKS)
    return np.unique(np.floor((place - place.min()) / length).astype(np.int64), return_inverse=True)[1]


def _best_start(source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, along: Array, slide: float) -> Mirror:
    """The best by a 2 mm score of `mirror` and what is found from places around it.

    On open sections the inner face of a sheet can mirror on to its outer one, at one end of the car or all along: a
    wrong plane and a local minimum, millimetres off.
    """
    few = source.fewer(2000)
    u, v, _ = basis(mirror.normal)
    reach = float(np.abs(few.points @ along).max())
    yaw = np.array([u @ along, v @ along, 0.0]) / reach
    shifts = [ASIDE * (a * yaw + b * np.array([0.0, 0.0, 1.0])) for a in (-1, 0, 1) for b in range(-3, 4)]
    rough = few.fewer(1000)
    first = mapped(lambda s: refine(rough, target, tree, mirror.moved(s), (CUT / 2,), slide, ALIKE_MM / 2), shifts)
    apart = _apart([m for m in first if m is not None], reach)
    apart.sort(key=lambda m: -tight(rough, target, tree, m, 2.0))
    found = mapped(lambda m: refine(few, target, tree, m, (CUT / 2,), slide, 0.02), apart[:BEST])
    return max([m for m in found if m is not None] or [mirror], key=lambda m: tight(few, target, tree, m, 2.0))


def _apart(mirrors: list[Mirror], reach: float) -> list[Mirror]:
    """The first of those that differ by less than ALIKE_MM on a car of `reach` mm: they end in one place."""
    kept: list[Mirror] = []
    for m in mirrors:
        off = [reach * np.linalg.norm(m.normal - k.normal) + abs(m.offset - k.offset) for k in kept]
        if not off or min(off) > ALIKE_MM:
            kept.append(m)
    return kept


def tight(source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, within: float) -> float:
    """Score 0 to 1 of a plane: mean over the surface of Wendland's function of the misfit, 0 from `within` mm on."""
    m = match(source, target, tree, mirror, within, 1.5 * target.spacing)
    return float(source.area[m.rows] @ wendland(m.residual, within) / source.area.sum())


def jackknife(design: Array, residual: Array, weight: Array, block: Index) -> Array:
    """Covariance (p, p) of a fit from what leaving out one block at a time does to it: (B - 1) / B sum d_b d_b^T.

    d_b = (H - H_b)^-1 g_b, with g_b = sum of w r J in block b, H_b = sum of w J J^T in it, H over all: the
    cluster-robust sandwich (Liang & Zeger 1986, Biometrika 73:13-22) as a jackknife (Bell & McCaffrey 2002, Surv.
    Methodol. 28:169-181), which also sees what a block at the end of the car pulls the plane to itself. What bends the
    two sides differently, noise and drift included, is in it. J (k, p): design.
    """
    count, p = int(block.max()) + 1, design.shape[1]
    g, h = np.zeros((count, p)), np.zeros((count, p, p))
    for b in range(count):
        j, w = design[block == b], weight[block == b]
        g[b], h[b] = (j * w[:, None]).T @ residual[block == b], (j * w[:, None]).T @ j
    d = np.einsum("bij,bj->bi", inverse(h.sum(0) - h), g)
    return (count - 1) / count * d.T @ d


def drift(
    m: Match, design: Array, weight: Array, place: Array, mirror: Mirror, points: Array, drift_mm: float
) -> Array:
    """Covariance (p, p) of the fit from a slow error of the scanner, sd `drift_mm` each way: a vector e for each 425 mm
    along the car, `place` (k,), and side, with correlation exp(-h^2 / 2 LENGTH_MM^2) at h mm from each other.

    What is seen is R e_left - e_right, R the mirroring. It moves a left point's residual by its normal `there` and,
    seen the other way round, a right one's by -(R there). Sum over stretches a, b of G_a C_ab G_b^T, with G = H^-1 sum
    of w J times those, C_ab = 2 drift_mm^2 (c I - d R), c the correlation of one side's a and b, d across the car: both
    sides drift alike, which shifts the plane and turns it less. J (k, p): design.
    """
    block, p = _blocks(place, LENGTH_MM / 2), design.shape[1]
    flip = np.eye(3) - 2 * np.outer(mirror.normal, mirror.normal)
    height = mirror.heights(points)
    way = np.where((height > 0)[:, None], m.there, -m.there @ flip)
    pull = np.einsum("kp,ki->kpi", design * weight[:, None], way).reshape(-1, 3 * p)
    h = inverse((design * weight[:, None]).T @ design)
    g = h @ np.stack([np.bincount(block, q) for q in pull.T], axis=1).reshape(-1, p, 3)
    at = np.bincount(block, place) / np.bincount(block)
    wide = 2 * float(np.average(np.abs(height), weights=weight))
    far = np.subtract.outer(at, at) ** 2
    one, across = (np.exp(-(far + w**2) / (2 * LENGTH_MM**2)) for w in (0.0, wide))
    sums = [np.einsum("ab,api,ij,bqj->pq", c, g, r, g) for c, r in ((one, np.eye(3)), (across, flip))]
    return 2 * drift_mm**2 * np.asarray(sums[0] - sums[1])


def few_blocks(count: int) -> float:
    """What the covariance from so many blocks grows by for k = 2 to mean 95 %: the square of Student's factor with
    B - 3 degrees of freedom over 2. DataError under 4 blocks."""
    if count < 4:
        raise DataError(f"datum: only {count} stretches of the frame have a mirror image, 4 are needed; scan more")
    return (float(t.ppf(norm.cdf(2.0), count - 3)) / 2) ** 2
