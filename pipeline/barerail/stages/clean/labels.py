"""Labels for what of a scan is no chassis: floor, stands, specks."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from barerail.geometry.neighbours import touching
from barerail.records import CHASSIS, FLOOR, LABELS, SPECK, STAND, Array, Note
from barerail.settings import CleanSettings

FLOOR_MM = 600.0
"""Least width of a floor: the web of a tall rail is narrower (judgement)."""
FILLED = 0.65
"""Least share of the outline that a floor fills (judgement): the undersides of a frame's rails fill under half."""


def labels_of(
    thin: Array, normals: Array, voxel: float, settings: CleanSettings
) -> tuple[NDArray[np.uint8], Array | None, tuple[Note, ...]]:
    """Label (m,) of each thinned point, the floor's plane (nx, ny, nz, d) or None, and what was found."""
    label = np.full(len(thin), CHASSIS, np.uint8)
    floor = _floor(thin, normals, settings.floor_share)
    if floor is not None:
        height = thin @ floor[:3] - floor[3]
        label[height < max(10.0, 3 * voxel)] = FLOOR
        label[(label == CHASSIS) & (height < _underside(height))] = STAND
    rest = np.flatnonzero(label == CHASSIS)
    piece = touching(thin[rest], 3 * voxel)
    size = np.bincount(piece)
    label[rest[size[piece] < settings.speck_points]] = SPECK
    count = np.bincount(label, minlength=len(LABELS))
    named = [i for i in (SPECK, FLOOR, STAND) if count[i]]
    notes = [Note("clean", f"{LABELS[i]}: thinned points labelled and left out", int(count[i])) for i in named]
    return label, floor, tuple(notes)


def _floor(thin: Array, normals: Array, share: float) -> Array | None:
    """(nx, ny, nz, d) of a big, filled plane with nearly all of the scan above it, n upward from it; else None.

    Rail undersides make such a plane too, but fill little of its hull; a floor fills it.
    """
    rough = thin[:: max(1, len(thin) // 30_000)]
    turn = normals[:: max(1, len(thin) // 30_000)]
    tried = np.linspace(0, len(rough) - 1, 400).astype(int)
    held = [np.count_nonzero(_level(rough, rough[i], turn[i]) & (np.abs(turn @ turn[i]) > 0.95)) for i in tried]
    if max(held) < 0.03 * len(rough):
        return None
    first = tried[int(np.argmax(held))]
    best = rough[_level(rough, rough[first], turn[first])]
    centre = best.mean(0)
    normal = np.linalg.eigh(np.cov((best - centre).T))[1][:, 0]
    height = (rough - centre) @ normal
    normal, height = (normal, height) if np.median(height) > 0 else (-normal, -height)
    flat = (rough[np.abs(height) < 15.0] - centre) @ np.linalg.svd(normal[None])[2][1:].T
    narrow = np.sqrt(12 * np.linalg.eigvalsh(np.cov(flat.T))[0]) < FLOOR_MM
    alone = (height > 15.0).mean() < 0.2
    if narrow or alone or (height > -15.0).mean() < share or _filled(thin, centre, normal) < FILLED:
        return None
    return np.append(normal, centre @ normal)


def _level(points: Array, at: Array, normal: Array) -> NDArray[np.bool_]:
    """Which points (n, 3) lie within 15 mm of the plane through `at`."""
    return np.abs(points @ normal - at @ normal) < 15.0


def _filled(thin: Array, centre: Array, normal: Array, cell: float = 20.0) -> float:
    """Share of the scan's outline, seen along the plane's normal, that the plane itself fills, by cells of 20 mm."""
    flat = (thin - centre) @ np.linalg.svd(normal[None])[2][1:].T
    on = np.unique(np.floor(flat[np.abs((thin - centre) @ normal) < 15.0] / cell), axis=0)
    return float(len(on) * cell**2 / max(ConvexHull(flat).volume, 1.0))


def _underside(height: Array, step: float = 20.0) -> float:
    """Height in mm above the floor below which there is only what the chassis stands on."""
    if not (height > step).any():
        return 0.0
    bins = np.bincount((height[height > step] / step).astype(int))
    busy = np.flatnonzero(bins > 0.25 * bins.max())
    return float(busy[0] * step - 5.0)
