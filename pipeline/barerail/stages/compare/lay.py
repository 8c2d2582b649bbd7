"""A later scan laid on an earlier one by the metal that stayed where it was."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from barerail.errors import DataError
from barerail.geometry.frames import transform
from barerail.geometry.neighbours import cell_keys, into_cells
from barerail.geometry.registration.align import Partners, held, partners, settled
from barerail.geometry.registration.search import apart, best, refined, search
from barerail.geometry.registration.surface import BENT, Surface
from barerail.geometry.robust import mad_scale, tukey_weights
from barerail.records import CHASSIS, Array, CleanScan, Frozen, Index, Unmoved

Region = Callable[[Array], NDArray[np.bool_]]
"""Which of points (n, 3), earlier scan's mm, the user says has not moved."""

BLOCK_MM = 100.0
"""Edge of the blocks of surface that are judged to have stayed or not (judgement)."""
FEWEST = 8
"""Partners a block's side must have to be judged."""
LEAST_GATE_MM, WIDEST_GATE_MM = 0.15, 1.0
"""Bounds in mm of the distance within which a block stays: three robust sd of the blocks that stay (judgement)."""
SHARE, RIVAL = 0.5, 0.8
"""Least share of the surface that a start must bring together; how large another rigid part may be (judgement)."""
LEAST_SHARE, ALIKE = 0.25, 0.9
"""Least share of the smaller scan's smooth surface that a pose found from nothing must bring together, 0.12 at most of
boxes on a frame, 0.84 and more of the same frame bent or its end alone; what another may score of it (judgement)."""
ONE_CHASSIS = "are they of one chassis? If so, scan more of what both show"
FLIPS = tuple(np.diag([*d, 1.0]) for d in ((1, 1, 1), (-1, -1, 1), (-1, 1, -1), (1, -1, -1)))


@dataclass(frozen=True, eq=False)
class Stayed(Frozen):
    """Partners, the cell (k,) of each, and which cells (c,) stay; places (c, 3): the cells' middles; off (g,): distance
    of each side of a cell that stays, mm; common: covariance of those of neighbours, mm2, where there are any."""

    found: Partners
    cell: Index
    stays: NDArray[np.bool_]
    places: Array
    off: Array
    common: float


def surface(clean: CleanScan) -> Surface:
    """The chassis of a cleaned scan as registration sees it."""
    rows = np.flatnonzero(clean.label == CHASSIS)
    smooth = clean.flat[rows] < BENT
    return Surface(clean.thin[rows], clean.normals[rows], smooth, True, clean.voxel_mm, clean.noise_mm)


def lay(before: Surface, after: Surface, starts: Sequence[Array], region: Region | None) -> Unmoved:
    """The pose that lays `after` on `before`, held by what stayed, or by the region that is named as unmoved.

    starts: poses (4, 4) to try first; from nothing where none brings the surfaces together. What stays is the largest
    connected set of blocks within three robust sd of each other's distances, laid again until it is the same (Tukey
    weights before, notes on trimmed and robust ICP: Chetverikov et al. 2005, Image Vis. Comput. 23:299). DataError
    where no pose is found, or what stays can't carry one.
    """
    sd = float(np.clip(2 * np.hypot(before.noise, after.noise), 0.4, 1.5))
    pose = _start(before, after, starts, sd)
    rows = after.even if region is None else after.even[region(transform(pose, after.points[after.even]))]
    if len(rows) < 12 * FEWEST:
        raise DataError("compare: too little surface near what is named as unmoved: name more of it")
    pose = settled(before, after, pose, (5 * sd,), rows, 20)
    stayed = _stayed(partners(before, after, pose, 5 * sd, rows), region is None)
    for _ in range(8):
        kept = stayed.found.rows[stayed.stays[stayed.cell]]
        pose = settled(before, after, pose, (5 * sd,), kept, 20)
        again = _stayed(partners(before, after, pose, 5 * sd, rows), region is None)
        same = np.array_equal(again.found.rows[again.stays[again.cell]], kept)
        stayed = again
        if same:
            break
    if region is None:
        _refuse_rival(before, after, pose, stayed, sd)
    return _unmoved(before, after, pose, stayed, sd, region is None)


def _start(before: Surface, after: Surface, starts: Sequence[Array], sd: float) -> Array:
    tried = best([refined(before, after, s, sd) for s in starts], after)
    good = [f for f in tried if f.agreement.share >= SHARE and f.agreement.score > 0]
    return good[0].pose if good else _searched(before, after, sd)


def _searched(before: Surface, after: Surface, sd: float) -> Array:
    """The pose found from nothing. DataError where hardly anything agrees, or another pose does nearly as well."""
    found = search(before, after, sd)
    if not found or found[0].agreement.score <= 0:
        raise DataError(f"compare: nowhere do the two scans agree more than they contradict each other: {ONE_CHASSIS}")
    if (share := found[0].agreement.share) < LEAST_SHARE:
        raise DataError(
            f"compare: the scans agree on {100 * share:.0f} % of the smaller one's surface at best, "
            f"{100 * LEAST_SHARE:.0f} % are needed: {ONE_CHASSIS}"
        )
    if len(found) > 1 and found[1].agreement.score > ALIKE * found[0].agreement.score:
        raise DataError(
            f"compare: {apart(found, after)}: a bare frame looks alike from several sides; "
            "set the later job's datum first (--front, --above), or scan more of it"
        )
    return found[0].pose


def _stayed(found: Partners, connected: bool) -> Stayed:
    cells = into_cells(found.at, cell_keys(found.at, BLOCK_MM))
    cell = np.empty(len(found.at), np.int64)
    cell[cells.order] = np.repeat(np.arange(len(cells.mean)), np.diff(cells.start))
    sector = _sector(found.normals)
    side = into_cells(found.at, cell * 6 + sector)
    count = np.diff(side.start)
    off = np.add.reduceat(found.distance[side.order], side.start[:-1]) / count
    first = side.order[side.start[:-1]]
    owner = cell[first]
    enough = count >= FEWEST
    stays = np.ones(len(cells.mean), bool)
    if connected:
        stays = _consistent(off, owner, enough, cells.mean)
    kept = enough & stays[owner]
    common = _common(off[kept], cells.mean[owner[kept]], sector[first[kept]])
    return Stayed(found, cell, stays, cells.mean, off[kept], common)


def _common(off: Array, places: Array, sector: Index) -> float:
    """Covariance in mm2 of distances (g,) of neighbouring blocks' like sides: what is no noise of one block alone.

    Sides beyond the gate are left out, which are many where what is named as unmoved has moved in part.
    """
    near = np.abs(off) <= _gate(off)
    off, places, sector = off[near], places[near], sector[near]
    pairs = cKDTree(places).query_pairs(1.8 * BLOCK_MM, output_type="ndarray") if len(places) else np.zeros((0, 2), int)
    a, b = pairs[sector[pairs[:, 0]] == sector[pairs[:, 1]]].T
    return max(float((off[a] * off[b]).mean()), 0.0) if len(a) else 0.0


def _consistent(off: Array, owner: Index, enough: NDArray[np.bool_], places: Array) -> NDArray[np.bool_]:
    """The largest connected set of cells none of whose sides lies further off than the gate."""
    stays = np.ones(len(places), bool)
    for _ in range(10):
        gate = _gate(off[enough & stays[owner]])
        bad = np.zeros(len(places), bool)
        bad[owner[enough & (np.abs(off) > gate)]] = True
        judged = np.zeros(len(places), bool)
        judged[owner[enough]] = True
        now = _largest(judged & ~bad, places)
        if np.array_equal(now, stays) or not now.any():
            return now
        stays = now
    return stays


def _gate(off: Array) -> float:
    return float(np.clip(3 * mad_scale(off), LEAST_GATE_MM, WIDEST_GATE_MM)) if len(off) else LEAST_GATE_MM


def _largest(among: NDArray[np.bool_], places: Array) -> NDArray[np.bool_]:
    rows = np.flatnonzero(among)
    pairs = cKDTree(places[rows]).query_pairs(1.8 * BLOCK_MM, output_type="ndarray") if len(rows) else np.zeros((0, 2))
    pairs = np.asarray(pairs, np.int64).reshape(-1, 2)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(rows), len(rows)))
    part = connected_components(graph, directed=False)[1]
    out = np.zeros(len(among), bool)
    out[rows[part == np.bincount(part).argmax()]] = True if len(rows) else False
    return out


def _sector(normals: Array) -> Index:
    largest = np.argmax(np.abs(normals), axis=1)
    positive = np.take_along_axis(normals, largest[:, None], axis=1)[:, 0] > 0
    return 2 * largest + positive


def _refuse_rival(before: Surface, after: Surface, pose: Array, stayed: Stayed, sd: float) -> None:
    """DataError where the rest is nearly as large and stayed just as well among itself, in another pose."""
    rest = np.setdiff1d(after.even, stayed.found.rows[stayed.stays[stayed.cell]])
    if len(rest) < RIVAL * stayed.stays[stayed.cell].sum():
        return
    other = settled(before, after, pose, (*(r for r in (16.0, 8.0, 4.0) if r > 5 * sd), 5 * sd), rest, 20)
    rival = _stayed(partners(before, after, other, 5 * sd, after.even), True)
    here, there = (s.found.at[s.stays[s.cell]].mean(axis=0) for s in (stayed, rival))
    if rival.stays.sum() > RIVAL * stayed.stays.sum() and np.linalg.norm(here - there) > 3 * BLOCK_MM:
        raise DataError(
            f"compare: two parts of the chassis each kept their shape and moved against each other "
            f"({stayed.stays.sum()} and {rival.stays.sum()} blocks of surface): say which stayed with --unmoved"
        )


def _unmoved(before: Surface, after: Surface, pose: Array, stayed: Stayed, sd: float, by_itself: bool) -> Unmoved:
    kept = stayed.stays[stayed.cell]
    found = stayed.found
    held_by = Partners(found.rows[kept], found.at[kept], found.normals[kept], found.distance[kept])
    about = held_by.at.mean(axis=0)
    cov = held(held_by, 5 * sd, about)
    u = np.sqrt(np.diag(cov))
    if not (np.isfinite(u).all() and u[:3].max() < 2.0 and u[3:].max() < 3e-3):
        raise DataError(
            f"compare: what stayed leaves the later scan loose (standard uncertainty {u[:3].max():.1f} mm, "
            f"{np.degrees(u[3:].max()):.2f} degrees): scan more of what was not welded, or name more with --unmoved"
        )
    return Unmoved(
        pose=pose,
        about=about,
        cov=cov,
        places=stayed.places[stayed.stays],
        grip=_grip(held_by, stayed.cell[kept], 5 * sd, len(stayed.stays))[stayed.stays],
        share=float(kept.mean()),
        spread_mm=float(mad_scale(stayed.off)) if len(stayed.off) else float("nan"),
        common_mm=float(np.sqrt(stayed.common)),
        by="found" if by_itself else "named",
    )


def _grip(found: Partners, cell: Index, reach: float, count: int) -> Array:
    """What the partners of each of `count` cells hold, (count, 3, 3): their Tukey weights times normal by normal."""
    weight = tukey_weights(found.distance, 1.0, reach)
    pull = weight[:, None, None] * found.normals[:, :, None] * found.normals[:, None]
    grip: Array = np.stack([np.bincount(cell, p, count) for p in pull.reshape(-1, 9).T], axis=1)
    return grip.reshape(count, 3, 3)
