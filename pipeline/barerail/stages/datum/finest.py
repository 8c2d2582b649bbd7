"""The finest fit of the mirror plane to the surface, and its uncertainty from station blocks along the car."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import norm, t

from barerail.errors import DataError
from barerail.geometry.frames import basis
from barerail.geometry.mirror import Mirror
from barerail.records import Array, Frozen, Index

from .candidates import wendland
from .refine import Match, match, refine, robust_scale, weight_of
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
    """The plane of the whole surface; cov (3, 3): of a step of `Mirror.moved`, standard uncertainties squared, widened
    for few blocks. own (3, 3): without what the frame's smooth sway and twist put into it, which the whole surface
    averages and a few pairs don't: what the plane is weighed by against theirs.

    share: of the surface that falls on surface within 3 mm when mirrored. scale: robust scatter of the residuals, mm.
    bend: what the mirror image of one block is off by, mm, from the scatter of the blocks. slow (3, 3): what the
    scanner's slow error adds to `cov`; it moves surface and features alike.
    """

    mirror: Mirror
    own: Array
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
    fitted = refine(source, surface, tree, near, (CUT,), slide, 5e-4, along)
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
    weight = weight_of(m, source, scale, along)
    spread = jackknife(m, weight, block)
    own = jackknife(straightened(m, weight, place, _rolling(m, fitted, along), drift_mm), weight, block)
    slow = drift(m, weight, _blocks(place, SLOW), fitted, source.points[m.rows], drift_mm)
    bend = 2 * float(np.sqrt(count * spread[2, 2]))
    return SurfacePlane(fitted, own, widening * spread, share, scale, count, bend, slow)


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


def straightened(m: Match, weight: Array, place: Array, roll: Array, drift_mm: float) -> Match:
    """The match without the sway (a parabola across) and the twist (a turn growing along the car) in its residuals.

    roll (k,): derivative of the residuals by a roll of the plane. Each is taken out as far as it is beyond twice what
    the scanner's slow error of `drift_mm` makes of two mirrored points (positive-part shrinkage, James & Stein 1961,
    Proc. 4th Berkeley Symp. 1:361-379).
    """
    s = 2 * (place - place.mean()) / np.ptp(place)
    root = np.sqrt(weight)[:, None]
    bends = np.column_stack([m.jacobian[:, 2] * s**2, roll * s])
    bends -= m.jacobian @ np.linalg.lstsq(root * m.jacobian, root * bends, rcond=None)[0]
    trend = bends * np.linalg.lstsq(root * bends, root[:, 0] * m.residual, rcond=None)[0]
    power = np.maximum(weight @ trend**2 / weight.sum(), 1e-12)
    shrunk = np.maximum(0.0, 1 - 8 * drift_mm**2 / power)
    return replace(m, residual=m.residual - trend @ shrunk)


def _rolling(m: Match, mirror: Mirror, along: Array) -> Array:
    u, v, n = basis(mirror.normal)
    up = np.cross(along, n)
    return m.jacobian[:, 0] * (u @ up) + m.jacobian[:, 1] * (v @ up)


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
