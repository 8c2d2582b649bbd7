"""The scan's noise, read off its largest flat faces and, unrolled, its largest tubes."""

from collections.abc import Sequence

import numpy as np

from barerail.errors import DataError
from barerail.forked import mapped
from barerail.geometry.covariance import estimate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.plane import fit_plane_robust
from barerail.records import Array, Index, NoiseModel
from barerail.settings import FitSettings
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.patches import Patch
from barerail.stages.fit.planes import MOST_POINTS
from barerail.stages.fit.surface import FLAT, Surface
from barerail.stages.fit.tube_runs import skin_run

LARGEST = 10
EVEN = 1.7
"""Rms of a face, in that of the evenest quarter of the largest, beyond which its residuals are form, not noise."""
AMID = 0.95
"""Share of the surface around a place that must lie like a patch for the place to be amid it (judgement)."""
OFF_SD = 5.0
"""Robust sd beyond which a point near a tube is not its skin (judgement)."""


def noise_of(
    cloud: Cloud, patches: tuple[Patch, ...], round_only: Cloud, starts: Sequence[CylinderFit], settings: FitSettings
) -> NoiseModel:
    """Covariance function of the scan's residuals on its largest faces, with the user's drift beside it.

    A space frame's flat faces are too small to show noise that hangs together over some centimetres; its tubes aren't.
    round_only: the cloud's curved part; starts: first cylinders on round things in it. DataError for a scan too small.
    """
    sigma = cloud.clean.noise_mm
    flat = mapped(lambda patch: _flat(cloud.points(_whole(cloud.surface, patch))), patches[: 3 * LARGEST])
    skins = [(f, skin_run(round_only.surface, f.axis, f.point, f.radius)[0]) for f in starts]
    skins.sort(key=lambda skin: -len(skin[1]))
    round_ = mapped(lambda skin: _unrolled(round_only.points(skin[1]), skin[0]), skins[:LARGEST])
    faces = sorted(flat + [r for r in round_ if r is not None], key=lambda face: -len(face[1]))[: 3 * LARGEST]
    rms = [float(np.sqrt((off**2).mean())) for _, off in faces]
    most = EVEN * max(sigma, float(np.quantile(rms, 0.25)))
    even = [face for face, size in zip(faces, rms, strict=True) if size < most][:LARGEST]
    white, corr, length, power = estimate(even)
    return NoiseModel(white, corr, length, settings.drift_mm, settings.drift_mm_per_m, power)


def _whole(surface: Surface, patch: Patch, rounds: int = 6) -> Index:
    """The patch with what carries it on but lies further off its plane than the patch's tolerance: crests of noise that
    hangs together over more than that tolerance was taken from. Places at a rim stay out.
    """
    block = np.abs((surface.blocks.cells.mean - patch.centre) @ patch.normal)
    rows = surface.blocks.within(block, 3 * patch.tolerance)
    level = np.abs((surface.points.take(rows, axis=0) - patch.centre) @ patch.normal) < 3 * patch.tolerance
    alike = np.zeros(len(surface.points) + 1, bool)
    alike[rows] = level & (np.abs(surface.normals.take(rows, axis=0) @ patch.normal) > np.cos(2 * FLAT))
    inside = np.zeros(len(alike), bool)
    inside[fresh := patch.core] = True
    for _ in range(rounds):
        next_to = np.zeros(len(alike), bool)
        next_to[surface.near[fresh]] = True
        beside = np.flatnonzero(next_to & ~inside & alike)
        around = surface.near[beside]
        amid = alike[around].sum(axis=1) >= AMID * (around >= 0).sum(axis=1)
        inside[fresh := beside[amid]] = True
    return np.flatnonzero(inside)


def _flat(points: Array) -> tuple[Array, Array]:
    """Places (n, 2) of points (n, 3) in their plane and residuals (n,), mm."""
    fit = fit_plane_robust(points[:: max(1, len(points) // MOST_POINTS)])
    local = (points - fit.centre) @ fit.axes.T
    return local[:, :2], local[:, 2]


def _unrolled(points: Array, start: CylinderFit) -> tuple[Array, Array] | None:
    """The same of points (n, 3) of the skin of a tube, unrolled; None where they are too few for a cylinder."""
    try:
        some = points[:: max(1, len(points) // MOST_POINTS)]
        fit = fit_cylinder(some, start.axis, start.point, start.radius, robust=True)
    except DataError:
        return None
    x, y, z = ((points - fit.point) @ fit.axes.T).T
    off, turn = np.hypot(x, y) - fit.radius, np.arctan2(y, x)
    skin = np.abs(off) < OFF_SD * 1.4826 * np.median(np.abs(off))
    off, turn, z = off[skin], turn[skin], z[skin]
    form = _bowed_and_oval(turn, z)
    return np.column_stack([turn * fit.radius, z]), off - form @ np.linalg.lstsq(form, off, rcond=None)[0]


def _bowed_and_oval(turn: Array, along: Array) -> Array:
    """Columns (n, 8) of a tube's own form: a bow of its axis, and an oval section."""
    share = 2 * (along - along.mean()) / max(float(np.ptp(along)), 1e-9)
    one, two = np.array([np.cos(turn), np.sin(turn)]), np.array([np.cos(2 * turn), np.sin(2 * turn)])
    return np.vstack([one, one * share, one * share**2, two]).T
