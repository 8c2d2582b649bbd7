"""Scanner noise that hangs together: its covariance over distance, from a scan's own faces, and through a fit."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.fft import irfft2, rfft2
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist, pdist, squareform

from barerail.errors import DataError
from barerail.forked import mapped
from barerail.geometry.leastsquares import inverse_normal, symmetric
from barerail.records import Array, Index, NoiseModel

MESH_OFF = 0.6
"""Half of what the surface of a fused mesh is off by, in spacings, in 95 % of gaps on simulated scans: thin sheet and
tabs stand proud by a voxel and more, since frames of the other side push them out."""
SIDE = 192
"""Side of a window of a patch, cells: longer than any lag used, short enough to be quick."""
WINDOWS = 12
"""Most windows used, those with the most points."""
LEAST = 100
"""Fewest points of a window."""
LAGS = 40
"""Longest lag used, cells."""
SOME, BANDS, LENGTHS = 160, 16, 120
"""Points of a window that show what taking out a quadratic does, bands of lag they are sorted into, lengths tried."""

POWERS = (1.0, 1.5, 2.0)
"""Powers of h / length looked at: noise is the smoother, the higher; up to 2 each is a covariance in space (Schoenberg
1938, Metric spaces and positive definite functions, from memory)."""


def matrix(points: Array, white: float, corr: float, length: float, power: float = 1.0) -> Array:
    """Covariance (n, n) in mm2 of residuals at `points` (n, 2 or 3), as in NoiseModel."""
    apart = pdist(points) / length
    out = squareform(corr**2 * np.exp(-_raised(apart, power)))
    out.flat[:: len(points) + 1] = corr**2 + white**2
    return np.asarray(out)


def _raised(h: Array, power: float) -> Array:
    """h^power, several times as fast where that is 1.5."""
    return h * np.sqrt(h) if power == 1.5 else h**power


def propagate(jacobian: Array, points: Array, model: NoiseModel, limit: int = 600) -> Array:
    """Covariance (p, p) of a least-squares fit with `jacobian` (n, p) at `points` (n, 2 or 3), mm, noise as in `model`.

    G Jt C J G with G = (Jt J)^-1: exact up to `limit` points. Above, the white part stays exact, and K J of the
    correlated part is summed over cells of half a correlation length, at `limit` points spread evenly whose own
    normal matrix scales the result. DataError where the Jacobian leaves a parameter open.
    """
    g = inverse_normal(jacobian)
    white, corr, length = model.white_mm, model.corr_mm, model.corr_length_mm
    if corr == 0 or length == 0:
        return (white**2 + corr**2) * g
    if len(jacobian) <= limit:
        like = matrix(points, white, corr, length, model.power)
        return symmetric(g @ jacobian.T @ _times(like, jacobian) @ g)
    order, first = _cells(points, length / 2)
    rows = order[np.linspace(0, len(order) - 1, limit).astype(int)]
    total = np.add.reduceat(jacobian[order], first)
    centre = np.add.reduceat(points[order], first) / np.diff(first, append=len(order))[:, None]
    like = np.exp(-_raised(cdist(points[rows], centre) / length, model.power))
    half = inverse_normal(jacobian[rows]) @ (jacobian[rows].T @ _times(like, total)) @ g
    return white**2 * g + corr**2 * symmetric(half)


def _times(a: Array, b: Array) -> Array:
    """a @ b, the same whatever the number of threads: a large product by BLAS is not."""
    return np.einsum("ij,jk->ik", a, b)


def _cells(points: Array, edge: float) -> tuple[Index, Index]:
    """Rows of `points` sorted by the cell they lie in, and where each cell starts."""
    key = np.floor((points - points.min(axis=0)) / edge).astype(np.int64)
    flat = np.ravel_multi_index(tuple(key.T), tuple(key.max(axis=0) + 1))
    order = np.argsort(flat, kind="stable")
    return order, np.flatnonzero(np.diff(flat[order], prepend=-1))


@dataclass(frozen=True)
class _Window:
    """Sums over point pairs of a window by lag in cells, and over points for lag 0: how many, their lag, the product of
    the residuals, and (6, lags) of each orthonormal column that was taken out; and some of its points."""

    pairs: Array
    lag: Array
    products: Array
    taken: Array
    some: "_Some"

    def lowered(self, length: float, power: float, like: Array, h: Array, near: NDArray[np.bool_]) -> Array:
        """Sum over pairs of how much taking out the columns lowers exp(-(h / length)^power), like, at distances h.

        Taking out columns q leaves (I - q qt) C (I - q qt), which is C - (qt C q) q qt where q is an eigenvector of C:
        smooth columns nearly are, on a face of many lengths. On a smaller one it is reckoned on some of its points.
        """
        if length < self.some.finest:
            return (self.taken @ like / self.taken[:, 0]) @ self.taken[:, near]
        return self.pairs[near] * self.some.lowered(length, power, h)


class _Some:
    """Some points of a window. finest: shortest length that they show, mm."""

    def __init__(self, xy: Array, cell: float) -> None:
        xy = xy[_spread(xy)]
        self.finest = 1.6 * float(np.sqrt(np.ptp(xy, axis=0).prod() / len(xy)))
        self._q, self._h = _quadratic(xy), cdist(xy, xy)
        band = 1 + np.floor(self._h / (cell * LAGS / BANDS)).astype(np.int64)
        np.fill_diagonal(band, 0)
        self._band = np.minimum(band, BANDS + 1).ravel()
        count = np.bincount(self._band, minlength=BANDS + 2)
        self._seen = np.flatnonzero(count[: BANDS + 1])
        self._count = count[self._seen]
        self._at = np.bincount(self._band, self._h.ravel(), BANDS + 2)[self._seen] / self._count

    def lowered(self, length: float, power: float, h: Array) -> Array:
        """Mean (k,) of C less (I - q qt) C (I - q qt) at distances h (k,) mm."""
        c = np.exp(-_raised(self._h / length, power)) @ self._q
        fall = self._q @ (2 * c - self._q @ (self._q.T @ c)).T
        mean = np.bincount(self._band, fall.ravel(), BANDS + 2)[self._seen] / self._count
        return np.interp(h, self._at, mean)


def _spread(xy: Array) -> Index:
    """Rows of at most SOME points, one drawn in each tile: the same points in whatever order they come."""
    if len(xy) <= SOME:
        return np.arange(len(xy))
    extent = np.ptp(xy, axis=0) * (1 + 1e-9)
    drawn = np.lexsort(xy.T)[np.random.default_rng(0).permutation(len(xy))]
    order, first = _cells(xy[drawn], extent / np.floor(np.maximum(extent * np.sqrt(SOME / extent.prod()), 1.0)))
    return drawn[order[first]]


def estimate(residual_patches: Sequence[tuple[Array, Array]]) -> tuple[float, float, float, float]:
    """(white, corr, length, power), mm and 1, of the covariance white^2 [h = 0] + corr^2 exp(-(h / length)^power) of
    residuals of planes, and of cylinders unrolled.

    Each patch: places (n, 2) on its face and residuals (n,), mm; every point of a piece of it, not a thinned lot,
    and at least eight correlation lengths wide, or `length` comes out short; a tube's is less wide, and long. In
    windows of 192 point spacings a quadratic is taken out (flatness is form, not noise); what that takes out of the
    covariance is modelled too. Least squares on the pooled isotropic autocovariance (Wiener-Khinchin), length and power
    by search. corr is 0 where the scan shows no correlation. DataError for fewer than 300 points.
    """
    patches = [(np.asarray(xy, float), np.asarray(r, float)) for xy, r in residual_patches if len(r) >= LEAST]
    n = sum(len(r) for _, r in patches)
    if n < 300:
        raise DataError(f"the noise needs at least 300 points on faces, got {n} in patches of {LEAST} or more")
    cell = float(np.median([_spacing(xy) for xy, _ in patches]))
    found = _fit(_pool(patches, cell), cell)
    while found[2] > 0.2 * LAGS * cell:  # too long for these cells to show its tail
        cell *= 3
        found = _fit(_pool(patches, cell), cell)
    return found


def _spacing(xy: Array) -> float:
    """Edge of the square that holds one point, from the distance of the eighth neighbour."""
    distance: Array = cKDTree(xy, balanced_tree=False, compact_nodes=False).query(xy[:: max(len(xy) // 500, 1)], [9])[0]  # type: ignore[assignment]
    return float(np.median(distance) * np.sqrt(np.pi / 8))


def _pool(patches: Sequence[tuple[Array, Array]], cell: float) -> list[_Window]:
    windows = [(xy[rows], r[rows]) for xy, r in patches for rows in _windows(xy, cell)]
    windows.sort(key=lambda w: -len(w[1]))
    return mapped(lambda window: _autocovariance(*window, cell), windows[:WINDOWS])


def _windows(xy: Array, cell: float) -> list[Index]:
    """Rows of each window of at most SIDE cells with enough points; all windows of a patch have one size."""
    extent = np.ptp(xy, axis=0) * (1 + 1e-9)
    tiles = np.ceil(extent / (SIDE * cell))
    order, first = _cells(xy, extent / tiles)
    return [rows for rows in np.split(order, first[1:]) if len(rows) >= LEAST]


def _autocovariance(xy: Array, r: Array, cell: float) -> _Window:
    """One window's sums, by the power spectra of rasters of sums."""
    q = _quadratic(xy)
    r = r - q @ (q.T @ r)
    grid = 2 * SIDE
    at = np.floor((xy - xy.min(axis=0)) / cell).astype(np.int64)
    flat = at[:, 0] * grid + at[:, 1]
    side = np.minimum(np.arange(grid), grid - np.arange(grid))
    lag = np.hypot(side[:, None], side)
    bins = lag.round().astype(np.int64).ravel()

    def products(values: Array) -> Array:
        """Sum over all pairs of points by their lag on the raster."""
        raster = np.bincount(flat, values, grid * grid).reshape(grid, grid)
        return irfft2(np.abs(rfft2(raster)) ** 2, lag.shape)

    def by_lag(sums: Array, itself: float) -> Array:
        total: Array = np.bincount(bins, sums.ravel())  # type: ignore[assignment]
        total[0] = itself  # pairs within a cell have no known lag: lag 0 is each point with itself
        return total

    pairs = products(np.ones(len(r)))
    taken = np.array([by_lag(products(column), 1.0) for column in q.T])
    own = by_lag(products(r), float(r @ r))
    return _Window(by_lag(pairs, float(len(r))), by_lag(pairs * lag, 0.0), own, taken, _Some(xy, cell))


def _quadratic(xy: Array) -> Array:
    """Orthonormal columns (n, 6) of a quadratic over places (n, 2)."""
    x, y = ((xy - xy.mean(axis=0)) / np.ptp(xy, axis=0)).T
    return np.linalg.qr(np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y]))[0]


def _fit(windows: Sequence[_Window], cell: float) -> tuple[float, float, float, float]:
    """Least squares for white^2 and corr^2 at each of a range of lengths and powers; the best wins."""
    pairs, lag, products = np.sum([(w.pairs, w.lag, w.products) for w in windows], axis=0)
    near = (np.arange(len(pairs)) <= LAGS) & (pairs > 0.5)
    far = cell * np.maximum(lag, 0.0) / np.maximum(pairs, 1.0)
    h, pairs = far[near], pairs[near]
    c, taken = products[near] / pairs, np.sum([w.taken for w in windows], axis=(0, 1))[near] / pairs
    weight = np.sqrt(pairs / np.maximum(h, cell))
    weight /= weight[1:].max()
    weight[0] = 1.0  # the variance itself must come out right

    def tried(length: float, power: float) -> tuple[float, float, float, float, float]:
        like = np.exp(-_raised(far / length, power))
        fall = sum(w.lowered(length, power, like, h, near) for w in windows) / pairs
        a = weight[:, None] * np.column_stack([(h == 0) - taken, like[near] - fall])
        square = np.linalg.lstsq(a, weight * c)[0]
        off = float(np.sum((a @ square - weight * c) ** 2)) if square.min() >= 0 else np.inf
        white, corr = np.sqrt(np.maximum(square, 0.0)).tolist()
        return off, white, corr, length, power

    lengths = np.geomspace(0.3 * cell, 0.5 * LAGS * cell, LENGTHS).tolist()
    best = min(mapped(lambda each: tried(*each), list(product(lengths, POWERS))))
    return best[1:] if best[0] < np.inf else (float(np.sqrt(c[0])), 0.0, cell, 1.0)
