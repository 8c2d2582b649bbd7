"""Empty discs in a face: where a round hole, a slot or a stud's foot may be."""

import numpy as np
from scipy.ndimage import distance_transform_edt, maximum_filter

from barerail.records import Array


def empty_discs(xy: Array, cell: float, least: float, most: float) -> Array:
    """Centres and radii (k, 3) of the largest empty discs among points xy (n, 2), mm, the largest first.

    Radii lie between `least` and `most`; a disc whose centre lies inside a larger one is not listed. From the
    distance transform of the occupied cells of edge `cell`.
    """
    pad = int(np.ceil(least / cell)) + 2
    origin = xy.min(axis=0) - pad * cell
    index = ((xy - origin) / cell).astype(int)
    shape = index.max(axis=0) + pad + 1
    empty = np.ones(shape, bool)
    empty[index[:, 0], index[:, 1]] = False
    reach = distance_transform_edt(empty) * cell
    size = 2 * int(np.ceil(0.5 * least / cell)) + 1
    peak = (reach >= least) & (reach <= most) & (reach == maximum_filter(reach, size=size))
    at = np.argwhere(peak)
    found = np.column_stack([origin + (at + 0.5) * cell, reach[peak]])
    return _without_nested(found[np.lexsort((found[:, 1], found[:, 0], -found[:, 2]))])


def _without_nested(discs: Array) -> Array:
    kept: list[Array] = []
    free = np.ones(len(discs), bool)
    for i, disc in enumerate(discs):
        if free[i]:
            kept.append(disc)
            free &= np.hypot(*(discs[:, :2] - disc[:2]).T) > disc[2]
    return np.array(kept).reshape(-1, 3)


def widest_gap(xy: Array, centre: Array, low: float, high: float) -> float:
    """Widest angle in degrees about centre without a point of xy (n, 2) in the ring low..high; 360 for none."""
    d = xy - centre
    rho = np.hypot(d[:, 0], d[:, 1])
    turn = np.sort(np.arctan2(*d[(rho > low) & (rho < high)].T))
    return float(np.degrees(np.diff(turn, append=turn[0] + 2 * np.pi).max())) if len(turn) else 360.0


def seen_arc(xy: Array, span: float) -> float:
    """Degrees of azimuth about the origin over which neighbours among points xy (n, 2) stand at most span degrees
    apart."""
    if not len(xy):
        return 0.0
    turn = np.degrees(np.sort(np.arctan2(*xy.T)))
    gaps = np.diff(turn, append=turn[0] + 360)
    return float(360 - gaps[gaps > span].sum())


def cover(xy: Array, centre: Array, low: float, high: float, sectors: int = 24) -> float:
    """Share of azimuth sectors of the ring low..high about centre that hold a point of xy (n, 2)."""
    d = xy - centre
    rho = np.hypot(d[:, 0], d[:, 1])
    ring = d[(rho > low) & (rho < high)]
    azimuth = np.arctan2(ring[:, 1], ring[:, 0])
    sector = ((azimuth + np.pi) / (2 * np.pi) * sectors).astype(int) % sectors
    return np.count_nonzero(np.bincount(sector)) / sectors
