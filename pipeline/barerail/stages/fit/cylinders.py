"""First cylinders: pieces of the surface whose local curvature agrees on one axis and radius.

Local axis and radius come from the shape operator of each point's neighbourhood; neighbours that agree are joined,
and each piece gives one robust cylinder after the other.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.forked import mapped
from barerail.geometry.cylinder import CylinderFit, axis_from_normals, fit_cylinder
from barerail.geometry.frames import basis, lengths
from barerail.geometry.neighbours import blocks_of, components, products
from barerail.geometry.robust import median
from barerail.records import Array, Index
from barerail.settings import FitSettings
from barerail.stages.fit.patches import Patch
from barerail.stages.fit.surface import Surface

LEAST_ARC = 110.0
"""Degrees; a rounded square corner shows 90, and as much of its flanks as lies within the band of the fit."""
GAP_MM = 60.0
"""Gap along a tube that is let pass as welded over or not seen (judgement)."""
LEAST_AREA = 400.0
"""Smallest piece of round surface looked at for a tube, mm2 (judgement)."""
LOT = 20_000
"""Points whose local cylinders are reckoned at once."""
SAME_AXIS = np.cos(np.radians(4.0))
Start = tuple[CylinderFit, Array]
"""A first cylinder and the points (n, 3) of its piece that lie on it."""


@dataclass(frozen=True)
class Bend:
    """Local cylinders at rows of the surface: axis (m, 3), centre (m, 3), radius (m,); ok where it looks like one."""

    axis: Array
    centre: Array
    radius: Array
    ok: NDArray[np.bool_]


def curved_part(surface: Surface, patches: tuple[Patch, ...]) -> Surface:
    """The surface without its flat patches: the rounded corner of a rail is then a quarter of a tube and no more."""
    loose = np.ones(len(surface.points), bool)
    for patch in patches:
        loose[patch.grown] = False
    rows = np.flatnonzero(loose)
    place = np.full(len(surface.points) + 1, -1)
    place[rows] = np.arange(len(rows))
    return replace(
        surface,
        rows=surface.rows[rows],
        points=surface.points[rows],
        normals=surface.normals[rows],
        flat=surface.flat[rows],
        near=place[surface.near[rows]],
        turn=surface.turn[rows],
        blocks=blocks_of(surface.points[rows]),
    )


def first_cylinders(surface: Surface, settings: FitSettings) -> list[CylinderFit]:
    """One robust cylinder through the thinned points of each tube, those of one tube cut by welds as one."""
    lots = [np.arange(i, min(i + LOT, len(surface.points))) for i in range(0, len(surface.points), LOT)]
    bend = _together(mapped(lambda rows: _bend(surface, rows, settings), lots))
    links, least = _links(surface, bend), max(25, int(LEAST_AREA / surface.cell_area))
    pieces = _pieces(np.arange(len(links)), links, least)
    found = mapped(lambda piece: _cylinders_in(surface, piece, bend, links, least, settings), pieces)
    return _merged([start for each in found for start in each])


def _together(bends: list[Bend]) -> Bend:
    axis, centre, radius, ok = (np.concatenate([getattr(b, f.name) for b in bends]) for f in fields(Bend))
    return Bend(axis, centre, radius, ok)


def _bend(surface: Surface, rows: Index, settings: FitSettings) -> Bend:
    """Axis and radius at these rows from the shape operator, 2 x 2 in the plane of each normal: by its principal
    curvatures."""
    n, points, near = surface.normals[rows], surface.points[rows], surface.near[rows]
    seen = near >= 0
    u = np.cross(n, np.where(np.abs(n[:, :1]) < 0.8, [[1.0, 0, 0]], [[0, 1.0, 0]]))
    u /= np.linalg.norm(u, axis=1)[:, None]
    plane = np.stack([u, np.cross(n, u)], axis=1)
    sign = np.where(seen, np.sign(surface.turn[rows]), 0.0)
    step, turn = [], []
    for way in plane.transpose(1, 0, 2):
        own = np.einsum("mi,mi->m", way, points)[:, None]
        step.append(np.where(seen, products(way, surface.points, near) - own, 0.0))
        turn.append(sign * products(way, surface.normals, near))
    square = _summed(step, step) + 1e-9 * np.eye(2)
    shape = _summed(turn, step) @ np.linalg.inv(square)
    middle, half = (shape[:, 0, 0] + shape[:, 1, 1]) / 2, (shape[:, 0, 0] - shape[:, 1, 1]) / 2
    twist = (shape[:, 0, 1] + shape[:, 1, 0]) / 2
    apart, sign = np.hypot(half, twist), np.where(middle < 0, -1.0, 1.0)
    most, least = middle + sign * apart, middle - sign * apart
    radius = 1.0 / np.where(np.abs(most) < 1e-6, 1e-6, most)
    along = np.arctan2(twist, half) / 2 + np.where(middle < 0, 0.0, np.pi / 2)
    axis = np.cos(along)[:, None] * plane[:, 0] + np.sin(along)[:, None] * plane[:, 1]
    size = np.abs(radius)
    ok = (size > 0.4 * settings.tube_min_mm) & (size < 0.6 * settings.tube_max_mm)
    ok &= np.abs(least) < 0.45 * np.abs(most)
    return Bend(axis, points - n * radius[:, None], size, ok)


def _summed(a: list[Array], b: list[Array]) -> Array:
    """Sums (m, 2, 2) over the neighbours of each point of the products of a and b, two (m, k) each."""
    return np.array([[np.einsum("mk,mk->m", p, q) for q in b] for p in a]).transpose(2, 0, 1)


def _links(surface: Surface, bend: Bend) -> Index:
    """Neighbours (m, k) of each point that agree with it on axis and centre; -1 for the others."""
    near, axis, centre = surface.near, bend.axis, bend.centre - surface.points.mean(axis=0)
    own, square = np.einsum("mi,mi->m", axis, centre), np.einsum("mi,mi->m", centre, centre)
    along = products(axis, centre, near) - own[:, None]
    across = np.sqrt(np.maximum(square[:, None] + square[near] - 2 * products(centre, centre, near) - along**2, 0.0))
    radius = (bend.radius[:, None] + bend.radius[near]) / 2
    agree = (near >= 0) & bend.ok[:, None] & bend.ok[near] & (across < 0.4 * radius)
    agree &= np.abs(bend.radius[:, None] - bend.radius[near]) < 0.4 * radius
    agree &= np.abs(products(axis, axis, near)) > np.cos(np.radians(25))
    return np.where(agree, near, -1)


def _pieces(rows: Index, links: Index, least: int) -> list[Index]:
    """Those rows as connected pieces of at least so many points."""
    if len(rows) < least:
        return []
    place = np.full(len(links) + 1, -1)
    place[rows] = np.arange(len(rows))
    other = place[links[rows]]
    label = components(len(rows), np.nonzero(other >= 0)[0], other[other >= 0])
    count = np.bincount(label, minlength=1)
    big = np.flatnonzero(count >= least)
    order = np.argsort(label, kind="stable")
    start = np.searchsorted(label[order], big)
    return [rows[order[s : s + count[k]]] for s, k in zip(start, big, strict=True)]


def _cylinders_in(
    surface: Surface, piece: Index, bend: Bend, links: Index, least: int, settings: FitSettings
) -> list[Start]:
    """First cylinders through the thinned points of one piece, the best supported first: tubes meet at welds.

    What is left of a piece once a tube is taken out falls apart, and each part is looked at by itself: a whole space
    frame hangs together.
    """
    found: list[Start] = []
    waiting = [piece]
    while waiting:
        piece = waiting.pop()
        rows = _best_cylinder(surface, piece, bend)
        fit = _first_fit(surface, rows, settings) if len(rows) >= least else None
        if fit is None:
            continue
        taken = np.isin(piece, rows) | on_cylinder(surface, piece, fit.axis, fit.point, fit.radius)
        found.append((fit, surface.points[piece[taken]]))
        waiting += _pieces(piece[~taken], links, least)
    return found


def _best_cylinder(surface: Surface, piece: Index, bend: Bend, seeds: int = 16) -> Index:
    """Rows of a piece on the local cylinder of the seed that most of them lie on."""
    best = np.zeros(0, np.int64)
    tried = piece[np.linspace(0, len(piece) - 1, seeds).astype(int)]
    for i in tried:
        around = surface.near[i][surface.near[i] >= 0]
        alike = around[np.abs(bend.axis[around] @ bend.axis[i]) > 0.95]
        flip = np.sign(bend.axis[alike] @ bend.axis[i])[:, None]
        axis = (bend.axis[i] + (bend.axis[alike] * flip).sum(0)) / (1 + len(alike))
        radius = median(np.append(bend.radius[alike], bend.radius[i]))
        centre = np.array([median(c) for c in np.vstack([bend.centre[alike], bend.centre[i]]).T])
        local = piece[lengths(surface.points[piece] - centre) < 6 * radius]
        rows = local[on_cylinder(surface, local, axis / np.linalg.norm(axis), centre, radius, 0.25)]
        best = rows if len(rows) > len(best) else best
    return best


def on_cylinder(
    surface: Surface, rows: Index, axis: Array, point: Array, radius: float, slack: float = 0.0
) -> NDArray[np.bool_]:
    """Which rows lie on a cylinder, within the band and `slack` of its radius, facing away from or to its axis."""
    d = surface.points[rows] - point
    radial = d - (d @ axis)[:, None] * axis
    rho = lengths(radial)
    facing = np.abs(np.einsum("ij,ij->i", surface.normals[rows], radial)) > 0.9 * rho
    return facing & (np.abs(rho - radius) < band_of(surface, radius) + slack * radius)


def _first_fit(surface: Surface, rows: Index, settings: FitSettings) -> CylinderFit | None:
    """A robust cylinder through thinned points, or None where they make none or show too little of it."""
    axis = axis_from_normals(surface.normals[rows])
    if arc_of(surface.normals[rows] @ basis(axis)[:2].T) < LEAST_ARC:
        return None
    thin = rows[:: max(1, len(rows) // 300)]
    try:
        fit = fit_cylinder(surface.points[thin], axis, robust=True)
    except DataError:
        return None
    close = np.abs(fit.residuals) < 2 * surface.tolerance
    in_range = settings.tube_min_mm / 2 <= fit.radius <= settings.tube_max_mm / 2
    return fit if in_range and close.mean() > 0.5 else None


def arc_of(xy: Array, sectors: int = 36) -> float:
    """Degrees of azimuth about the origin that hold their share of the points xy (n, 2)."""
    turn = np.arctan2(xy[:, 1], xy[:, 0]) % (2 * np.pi)
    count = np.bincount((turn / (2 * np.pi) * sectors).astype(int) % sectors, minlength=sectors)
    return float(360 / sectors * (count > 0.3 * np.median(count[count > 0])).sum())


def _merged(starts: list[Start]) -> list[CylinderFit]:
    """One start a cylinder: pieces of the same tube, cut by welds or gaps, share axis and radius."""
    links = [(i, j) for i, f in enumerate(starts) for j, k in enumerate(starts[:i]) if _same(f, k)]
    a, b = np.array(links, np.int64).reshape(-1, 2).T
    first = np.unique(components(len(starts), a, b), return_index=True)[1]
    return [starts[i][0] for i in sorted(first)]


def _same(f: Start, k: Start) -> bool:
    """Whether two starts are pieces of one tube: coaxial, alike, and no further apart than a tube's gap may be. Two
    bushes in line across the car are not."""
    (one, its), (other, there) = f, k
    d = one.point - other.point
    along = float(d @ other.axis)
    across = np.linalg.norm(d - along * other.axis)
    coaxial = across < 0.2 * other.radius + 0.005 * abs(along) and abs(one.axis @ other.axis) > SAME_AXIS
    if not coaxial or abs(one.radius - other.radius) > 0.15 * other.radius:
        return False
    a, b = ((points - other.point) @ other.axis for points in (its, there))
    return bool(max(a.min() - b.max(), b.min() - a.max()) < GAP_MM)


def skin_of(surface: Surface, axis: Array, point: Array, radius: float) -> Index:
    """Thinned points on the cylinder, facing away from or to its axis."""
    beside = surface.blocks.cells.mean - point
    across = np.linalg.norm(beside - np.outer(beside @ axis, axis), axis=1)
    near = surface.blocks.within(across, radius + band_of(surface, radius))
    return near[on_cylinder(surface, near, axis, point, radius)]


def band_of(surface: Surface, radius: float) -> float:
    """How far off a cylinder a thinned point may lie, mm."""
    return surface.tolerance + 0.02 * radius
