"""Patches: connected flat pieces of the thinned scan, each one plane. They find faces; numbers come later.

Compatible neighbours joined into components (the parallel form of region growing: Rabbani et al. 2006), then
plane by plane where a component holds more than one, then grown out to the rim.
"""

from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.forked import mapped
from barerail.geometry.neighbours import components, products
from barerail.geometry.robust import median
from barerail.records import Array, Index
from barerail.stages.fit.surface import FLAT, NEAREST, Surface, smoothed

CURVED = np.radians(4.0)
BULGED = np.radians(7.0)
"""What fusing bulges a thin sheet's tab by, as a turn from side to side: 0.6 mm over 40 mm (judgement)."""
STRIP_MM = 80.0
"""Radius below which a thin sheet by smoothed normals is a strip of a sleeve by its own: strips of sleeves turned by
1 / 20 to 1 / 55 mm, tabs that fusing has bulged by 1 / 125 at most (simulated scans); between the two."""
MOST_POINTS = 1000
"""Most thinned points that a first plane rests on; the numbers come later, from full resolution."""


@dataclass(frozen=True)
class Patch:
    """Rows of Surface: `core` away from rims, `grown` with them; centre and normal of the core's plane.

    tolerance: distance in mm from that plane within which a point lies on the face.
    """

    core: Index
    grown: Index
    centre: Array
    normal: Array
    tolerance: float


@dataclass(frozen=True)
class Grip:
    """How far a patch reaches: flatness of its points, turn of their normals (rad), distance from its plane (mm).

    curved: turn from side to side from which it is a strip of a tube, rad.
    """

    steepest: float
    turn: float
    offset: float
    curved: float


def find_patches(surface: Surface, least_cm2: float, thorough: bool = True) -> tuple[Patch, ...]:
    """All flat pieces of at least `least_cm2`, largest first.

    Where `thorough`, a second, looser look at what the first left over finds small faces whose normals the rim has
    disturbed; a third, in fused meshes, thin sheets by smoothed normals, and by their own no strips of a sleeve.
    """
    least = max(8, int(100 * least_cm2 / surface.cell_area))
    typical = float(np.quantile(surface.flat, 0.25))
    strict = Grip(float(np.clip(3 * typical, np.radians(2.5), FLAT)), 2 * FLAT, surface.tolerance, CURVED)
    loose = Grip(2 * FLAT, 4 * FLAT, 2 * surface.tolerance, CURVED)
    owner = np.full(len(surface.points), -1)
    cores: list[Index] = []
    fits: list[tuple[Array, Array]] = []
    looks = [(surface, strict), (surface, loose)] if thorough else [(surface, strict)]
    if thorough and surface.rough:
        looks.append((smoothed(surface), replace(loose, offset=surface.rough, curved=BULGED)))
    for seen, grip in looks:
        free = np.flatnonzero(owner < 0)
        pieces = _smooth_pieces(seen, free, grip, least)
        found = mapped(partial(_planes_in, seen, grip=grip, least=least), pieces)
        flat = (core for each in found for core in each)
        cores = _joined(surface, cores + [c for c in flat if seen is surface or not _is_strip(surface, c)])
        fits = [_plane(surface.points[core]) for core in cores]
        owner = _grow(surface, cores, fits)
    order = np.argsort(owner, kind="stable")
    cuts = np.searchsorted(owner[order], np.arange(len(cores) + 1))
    patches = [_patch(surface, c, order[cuts[i] : cuts[i + 1]], fits[i]) for i, c in enumerate(cores)]
    return tuple(sorted(patches, key=lambda p: (-len(p.core), int(p.core[0]))))


def _patch(surface: Surface, core: Index, grown: Index, fit: tuple[Array, Array]) -> Patch:
    centre, normal = fit
    spread = 1.4826 * float(np.median(np.abs((surface.points[core] - centre) @ normal)))
    return Patch(core, grown, centre, normal, max(surface.tolerance, min(3 * spread, surface.rough)))


def _smooth_pieces(surface: Surface, free: Index, grip: Grip, least: int) -> list[Index]:
    open_to = np.zeros(len(surface.points), bool)
    open_to[free] = surface.flat[free] < grip.steepest
    level = np.flatnonzero(open_to)
    near, facing = surface.near[level, :NEAREST], surface.normals.take(level, axis=0)
    own = np.einsum("ij,ij->i", facing, surface.points.take(level, axis=0))
    step = np.abs(products(facing, surface.points, near) - own[:, None])
    joined = (near >= 0) & open_to[near] & (surface.turn[level, :NEAREST] > np.cos(grip.steepest))
    joined &= step < grip.offset + 0.15
    label = components(len(open_to), np.repeat(level, joined.sum(axis=1)), near[joined])[level]
    order = np.argsort(label, kind="stable")
    cuts = np.flatnonzero(np.diff(label[order])) + 1
    return [level[g] for g in np.split(order, cuts) if len(g) >= least]


def _plane(points: Array) -> tuple[Array, Array]:
    """Centre and unit normal of the plane through points, trimmed twice at 2.5 robust sd; many are thinned first."""
    points = points[:: max(1, len(points) // MOST_POINTS)]
    keep = np.ones(len(points), bool)
    for _ in range(3):
        centre = points[keep].mean(0)
        d = points[keep] - centre
        normal = np.linalg.eigh(d.T @ d)[1][:, 0]
        r = np.abs((points - centre) @ normal)
        keep = r <= max(3.7 * median(r), 1e-9)
    return centre, normal


def _planes_in(surface: Surface, piece: Index, grip: Grip, least: int) -> list[Index]:
    """Split one smooth piece into flat ones, the best supported first; curved ones give none."""
    found: list[Index] = []
    taken = np.zeros(len(surface.points), bool)
    while len(piece) >= least:
        inside = _best_plane(surface, piece, grip)
        if len(inside) < least:
            break
        if not _is_curved(surface, inside, grip.curved):
            found.append(inside)
        taken[inside] = True
        piece = piece[~taken[piece]]
    return found


def _best_plane(surface: Surface, piece: Index, grip: Grip) -> Index:
    """The largest flat subset of a piece: its own plane if that holds most of it, else the best of 24 seeds."""
    points, normals = surface.points.take(piece, axis=0), surface.normals.take(piece, axis=0)

    def within(centre: Array, normal: Array) -> Index:
        off = np.abs((points - centre) @ normal)
        return piece[(off < grip.offset) & (np.abs(normals @ normal) > np.cos(grip.turn))]

    inside = within(*_plane(points))
    if len(inside) < 0.9 * len(piece):
        rough = piece[:: max(1, len(piece) // 1500)]
        seeds = piece[np.linspace(0, len(piece) - 1, 24).astype(int)]
        facing = surface.normals[seeds]
        height = facing @ surface.points[rough].T - np.einsum("si,si->s", facing, surface.points[seeds])[:, None]
        level = np.abs(facing @ surface.normals[rough].T) > np.cos(grip.turn)
        seed = seeds[int(np.argmax((level & (np.abs(height) < grip.offset)).sum(axis=1)))]
        inside = within(surface.points[seed], surface.normals[seed])
        for _ in range(2):
            if len(inside) >= 8:
                inside = within(*_plane(surface.points[inside]))
    return _largest_piece(surface, inside)


def _largest_piece(surface: Surface, rows: Index) -> Index:
    if len(rows) == 0:
        return rows
    piece = pieces_of(surface, rows)
    return rows[piece == np.argmax(np.bincount(piece))]


def pieces_of(surface: Surface, rows: Index) -> NDArray[np.integer]:
    """Which piece each of some rows (n,) of the surface is of: neighbours have one number."""
    place = np.full(len(surface.points), -1)
    place[rows] = np.arange(len(rows))
    b = surface.near[rows]
    hit = (b >= 0) & (place[np.maximum(b, 0)] >= 0)
    a = np.repeat(np.arange(len(rows)), b.shape[1])[hit.ravel()]
    return components(len(rows), a, place[b[hit]])


def _is_curved(surface: Surface, rows: Index, most: float) -> bool:
    """True where normals turn across the patch by more than `most` (rad) end to end, as on a strip of a tube."""
    rate, width = _turn(surface, rows)
    return rate * width > most


def _is_strip(surface: Surface, rows: Index) -> bool:
    return _turn(surface, rows)[0] > 1 / STRIP_MM


def _turn(surface: Surface, rows: Index) -> tuple[float, float]:
    """By how much normals turn across a patch, rad / mm, and its width, mm.

    In a mesh the rate is that of the middle, since edges that fusing has rounded turn too, less what it may be off.
    """
    centre, normal = _plane(surface.points[rows])
    d = surface.points[rows] - centre
    n = surface.normals[rows] * np.sign(surface.normals[rows] @ normal)[:, None]
    narrow = np.cross(normal, np.linalg.eigh(d.T @ d)[1][:, 2])
    x, slope = d @ narrow, n @ narrow
    low, left, right, high = np.quantile(x, [0.05, 0.2, 0.8, 0.95])
    if surface.doubt:
        inner = (x >= left) & (x <= right)
        x, slope = x[inner] - x[inner].mean(), slope[inner]
    square = max(float(x @ x), 1e-12)
    rate = float(x @ slope) / square
    unsure = surface.doubt * float(np.std(slope - slope.mean() - rate * x)) / np.sqrt(square)
    return abs(rate) - unsure, float(high - low)


def _joined(surface: Surface, cores: list[Index], gap: float = 60.0) -> list[Index]:
    """Join patches of one plane that a gap in the scan or a weld has cut."""
    if not cores:
        return cores
    fits = [_plane(surface.points[c]) for c in cores]
    tree_of = cache(lambda i: cKDTree(surface.points[cores[i]]))
    first, second = [], []
    centres = np.array([f[0] for f in fits])
    normals = np.array([f[1] for f in fits])
    for i in range(len(cores)):
        level = np.abs(normals @ normals[i]) > np.cos(np.radians(1.0))
        flush = np.abs(np.einsum("ij,ij->i", centres - centres[i], normals)) < surface.tolerance
        for j in np.flatnonzero(level & flush):
            if j > i and _same_plane(surface, cores[i], cores[j], tree_of(i), fits[i], fits[j], gap):
                first.append(i)
                second.append(j)
    label = components(len(cores), np.array(first, np.int64), np.array(second, np.int64))
    return [np.sort(np.concatenate([cores[i] for i in np.flatnonzero(label == k)])) for k in range(label.max() + 1)]


def _same_plane(
    surface: Surface,
    a: Index,
    b: Index,
    tree: cKDTree,
    fit_a: tuple[Array, Array],
    fit_b: tuple[Array, Array],
    gap: float,
) -> bool:
    if np.sign(surface.normals[a] @ fit_a[1]).mean() * np.sign(surface.normals[b] @ fit_a[1]).mean() < 0:
        return False
    distance = tree.query(surface.points[b], distance_upper_bound=gap)[0]
    close = np.isfinite(distance)
    if not close.any():
        return False
    border = surface.points[b][close]
    off = np.abs((border - fit_a[0]) @ fit_a[1])
    return float(np.median(off)) < 0.6 * surface.tolerance


def _grow(surface: Surface, cores: list[Index], fits: list[tuple[Array, Array]], rounds: int = 4) -> Index:
    """Owner (m,) of each point, -1 for none: each patch takes the loose points next to it that lie in its plane."""
    owner = np.full(len(surface.points), -1)
    if not cores:
        return owner
    for i, core in enumerate(cores):
        owner[core] = i
    centres, normals = np.array([f[0] for f in fits]), np.array([f[1] for f in fits])
    height = np.einsum("ij,ij->i", centres, normals)
    fresh = np.concatenate(cores)
    for _ in range(rounds):
        beside = np.zeros(len(owner) + 1, bool)
        beside[surface.near[fresh]] = True
        loose = np.flatnonzero(beside[:-1] & (owner < 0))
        next_to = np.where(surface.near[loose] >= 0, owner[np.maximum(surface.near[loose], 0)], -1)
        off = np.abs(products(surface.points[loose], normals, next_to) - height[next_to])
        off[next_to < 0] = np.inf
        best = np.argmin(off, axis=1)
        ok = off[np.arange(len(loose)), best] < surface.tolerance
        fresh = loose[ok]
        owner[fresh] = next_to[np.arange(len(loose)), best][ok]
    return owner
