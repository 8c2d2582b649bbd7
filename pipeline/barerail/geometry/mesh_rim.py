"""The rim of a hole in a mesh fused from depth frames, where the edge is rounded and the wall bridged or torn.

Frames that look from one side fill the hole behind its near edge, the more the deeper, and wear the far edge away: both
push the rim away from the scanner. At a third of a voxel under the face hardly anything is filled yet, and what is worn
lies outside the true rim, so there the curve is held by what lies furthest in. In sheet that was seen from both sides
it is the other way round. Depths and losses are from simulated scans with known truth.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from barerail.geometry.cutting import cut_mesh
from barerail.geometry.rim import Curve, Rim
from barerail.records import Array

DEPTHS = (0.2, 0.25, 0.31, 0.375)
"""Depths of the sections under the face, in voxels; the last gives the size, since it is least biased there, the others
the place."""
DEEP = (0.8, 1.0, 1.2)
"""Depths of the sections that tell whether a wall was seen all round, in voxels: an edge is rounded down to 0.8."""
ALL_ROUND, BESIDE, NARROWER = 34, 0.2, 0.3
"""Directions that must show an edge there, how far such a wall may stand aside, and how much its size may differ lower
down, in voxels (simulated scans)."""
SHEET = (0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0)
"""Depths of the sections of a hole in thin sheet, in voxels."""
LEAST_THICKNESS = 1.5
"""Thickness of a sheet, in voxels, under which those sections would come out at its other face."""
FILLED, BEYOND = 0.2, 0.7
"""Distances inside and outside the curve from which an edge in sheet counts as filled and as another one, in voxels."""
WORN = 0.2
"""Distance outside the curve from which an edge counts as worn, in voxels."""
SECTORS = 36
FEWEST = 22
PIECE = 0.8
"""How far a piece of a section reaches across the curve within one direction, mm."""
ROUNDS = 4
STEP = 1e-4


def fit_mesh_rim(points: Array, triangles: NDArray[np.integer], start: Array, voxel: float, curve: Curve) -> Rim | None:
    """A curve (x, y, .., radius) through the rim in triangles (m, 3) over points (n, 3), z mm over the face.

    start (p,): a first curve, a voxel or so off. None where the rim is seen over less than FEWEST of SECTORS
    directions. cov (p, p) is from the scatter about the curve alone, neighbours within a voxel counted as one. misfit:
    a quarter of the directions in which no edge was seen.
    """
    sections = _sections(points, triangles, DEPTHS, voxel)
    rim: Rim | None = None
    mean, band = np.asarray(start, float), max(1.6 * voxel, 0.25 * start[-1])
    for _ in range(ROUNDS):
        *upper, rim = (_fit(s, mean, band, voxel, curve) for s in sections)
        places = [u.mean for u in upper if u is not None]
        if rim is None or not places:
            return None
        before, mean = mean, np.append(np.mean(places, axis=0)[:-1], rim.mean[-1])
        if np.abs(mean - before).max() < 0.01:
            break
        band = 1.3 * voxel
    return None if rim is None else replace(rim, mean=mean)


def further_down(
    points: Array, triangles: NDArray[np.integer], rim: Rim, voxel: float, curve: Curve, thickness: float
) -> Rim:
    """A rim of `fit_mesh_rim` after a look at sections further down; itself where they say nothing.

    thickness: of a sheet so thin that frames from both sides made its hole, as measured in the mesh, mm; inf elsewhere.
    """
    if np.isfinite(thickness):
        return _in_sheet(points, triangles, rim, voxel, curve) if thickness > LEAST_THICKNESS * voxel else rim
    return _in_wall(points, triangles, rim, voxel, curve)


def _in_wall(points: Array, triangles: NDArray[np.integer], rim: Rim, voxel: float, curve: Curve) -> Rim:
    """A wall that was seen all round, so that nothing fills it, is the hole itself; else the rim."""
    sections = _sections(points, triangles, DEEP, voxel)
    high, middle, low = (_fit(section, rim.mean, 1.3 * voxel, voxel, curve) for section in sections)
    if high is None or middle is None or low is None or min(r.n_wall for r in (high, middle, low)) < ALL_ROUND:
        return rim
    off = max(float(np.hypot(*(r.mean - rim.mean)[:2])) for r in (high, middle))
    upright = off < BESIDE * voxel and abs(high.mean[-1] - low.mean[-1]) < NARROWER * voxel
    return replace(high, upright=True) if upright else rim


def _in_sheet(points: Array, triangles: NDArray[np.integer], rim: Rim, voxel: float, curve: Curve) -> Rim:
    """The place from curves about it, each section's of a size of its own; the rim where the sections show less.

    Frames from both sides clear such a hole, and what neither reaches stays filled at any depth, so that the curves are
    held by what lies furthest out.
    """
    sections = _sections(points, triangles, SHEET, voxel)
    mean, sizes = rim.mean, np.zeros(len(sections))
    for k in range(ROUNDS):
        band = (2.6 if k == 0 else 2.0) * voxel
        edges = [_by_direction(s, curve(mean[None], s)[0], mean[:2], band) for s in sections]
        if sum(len(e) >= FEWEST for e in edges) < 3:
            return rim
        if k == 0:
            sizes = np.array([np.median(curve(mean[None], e)[0]) if len(e) else 0.0 for e in edges])
        before, (mean, sizes, cov) = mean, _about_one_place(mean, sizes, edges, voxel, curve)
        if np.abs(mean - before).max() < 0.01:
            break
    if np.hypot(*(mean - rim.mean)[:2]) > min(1.5 * voxel, 0.5 * rim.mean[-1]):
        return rim
    return replace(rim, mean=mean, cov=block_diag(cov, rim.cov[-1:, -1:]))


def _about_one_place(
    mean: Array, sizes: Array, edges: list[Array], voxel: float, curve: Curve
) -> tuple[Array, Array, Array]:
    """The curve moved, by how much larger each section's is (k,), and the covariance (p - 1, p - 1) of its place."""
    edge, which = np.concatenate(edges), np.repeat(np.arange(len(edges)), [len(e) for e in edges])
    own, place = -np.eye(len(edges))[which], len(mean) - 1
    for _ in range(60):
        d, jacobian = _linear(mean, edge, curve)
        d = d - sizes[which]
        inside, outside = np.minimum(d, 0.0) / (FILLED * voxel), np.maximum(d, 0.0) / (BEYOND * voxel)
        weight = 1 / (1 + inside**2 + outside**4)
        design = np.column_stack([jacobian[:, :place], own])
        step = np.linalg.lstsq(design * np.sqrt(weight)[:, None], -d * np.sqrt(weight), rcond=None)[0]
        step = np.clip(step, -voxel, voxel)
        mean, sizes = mean + np.append(step[:place], 0.0), sizes + step[place:]
        if np.abs(step).max() < 1e-4:
            break
    variance = float(weight @ d**2 / max(weight.sum() - len(step), 1.0)) * _alike(mean, voxel) * len(edges)
    cov = np.asarray(np.linalg.pinv((design * weight[:, None]).T @ design), float)
    return mean, sizes, variance * cov[:place, :place]


def _sections(points: Array, triangles: NDArray[np.integer], depths: tuple[float, ...], voxel: float) -> list[Array]:
    """Points (k, 2) along the cut at each depth, in voxels."""
    return [_dense(cut_mesh(points + np.array([0, 0, k * voxel]), triangles), 0.2 * voxel) for k in depths]


def _alike(mean: Array, voxel: float) -> float:
    """How many directions a voxel of the curve spans, at least one: their edges say the same."""
    return max(1.0, SECTORS * voxel / (2 * np.pi * float(mean[-1])))


def _dense(lines: list[Array], step: float) -> Array:
    """Points (k, 2) along lines, `step` mm apart at most."""
    pieces = [np.zeros((0, 2))]
    for line in lines:
        ahead = np.diff(line, axis=0)
        count = np.maximum(np.ceil(np.hypot(*ahead.T) / step).astype(int), 1)
        share = np.concatenate([np.arange(n) / n for n in count]) if len(count) else np.zeros(0)
        pieces.append(np.repeat(line[:-1], count, axis=0) + share[:, None] * np.repeat(ahead, count, axis=0))
    return np.concatenate(pieces)


def _fit(section: Array, start: Array, band: float, voxel: float, curve: Curve) -> Rim | None:
    """The curve through the pieces of a section that lie within `band` mm of where it is looked for."""
    edge = _by_direction(section, curve(start[None], section)[0], start[:2], band)
    if len(edge) < FEWEST:
        return None
    mean = start.copy()
    for _ in range(60):
        d, jacobian = _linear(mean, edge, curve)
        weight = 1 / (1 + (np.maximum(d, 0.0) / (WORN * voxel)) ** 2)
        step = np.linalg.lstsq(jacobian * np.sqrt(weight)[:, None], -d * np.sqrt(weight), rcond=None)[0]
        mean = mean + np.clip(step, -voxel, voxel)
        if mean[-1] < 0.5 or np.abs(mean[:2] - start[:2]).max() > 3 * band:
            return None
        if np.abs(step).max() < 1e-4:
            break
    if weight.sum() < len(mean) + 1:
        return None
    variance = float(weight @ d**2 / (weight.sum() - len(mean))) * _alike(mean, voxel)
    cov = variance * np.asarray(np.linalg.pinv((jacobian * weight[:, None]).T @ jacobian), float)
    return Rim(mean, cov, float(np.sqrt(np.average(d**2, weights=weight))), len(edge), (SECTORS - len(edge)) / 4)


def _by_direction(section: Array, off: Array, centre: Array, band: float) -> Array:
    """One point (k, 2) a direction from the centre: of the piece of the section nearest the curve, its mean.

    Of the distances and of the directions: the mean place lies inside an arc.
    """
    near = np.flatnonzero(np.abs(off) < band)
    near = near[np.argsort(np.abs(off[near]), kind="stable")]
    around = np.arctan2(*(section[near] - centre).T[::-1]) % (2 * np.pi)
    sector = np.minimum((around * SECTORS / (2 * np.pi)).astype(int), SECTORS - 1)
    seen, first = np.unique(sector, return_index=True)
    nearest = np.zeros(SECTORS)
    nearest[seen] = off[near[first]]
    piece = np.abs(off[near] - nearest[sector]) < PIECE
    sector, outward = sector[piece], section[near[piece]] - centre
    count = np.bincount(sector, minlength=SECTORS)[seen]
    x, y, out = (np.bincount(sector, v, SECTORS)[seen] / count for v in (*outward.T, np.hypot(*outward.T)))
    return centre + np.column_stack([x, y]) * (out / np.hypot(x, y))[:, None]


def _linear(mean: Array, edge: Array, curve: Curve) -> tuple[Array, Array]:
    """Signed distances (k,) of the edge outside the curve, and their derivatives (k, p)."""
    moved = curve(np.vstack([mean, mean + STEP * np.eye(len(mean))]), edge)
    return moved[0], (moved[1:] - moved[0]).T / STEP
