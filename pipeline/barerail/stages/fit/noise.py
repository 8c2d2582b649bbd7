"""The scan's noise, read off its largest flat faces and, unrolled, its largest tubes."""

from collections.abc import Sequence

import numpy as np

from barerail.errors import DataError
from barerail.geometry.covariance import estimate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.plane import fit_plane_robust
from barerail.records import Array, NoiseModel
from barerail.settings import FitSettings
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import skin_of
from barerail.stages.fit.patches import Patch
from barerail.stages.fit.tubes import run_of

LARGEST = 10
EVEN = 1.7
"""Rms of a face, in that of the evenest quarter of the largest, beyond which its residuals are form, not noise."""
FIT_POINTS = 3000
OFF_SD = 5.0
"""Robust sd beyond which a point near a tube is not its skin (judgement)."""


def noise_of(
    cloud: Cloud, patches: tuple[Patch, ...], starts: Sequence[CylinderFit], settings: FitSettings
) -> NoiseModel:
    """Covariance function of the scan's residuals on its largest faces, with the user's drift beside it.

    A space frame's flat faces are too small to show noise that hangs together over some centimetres; its tubes aren't.
    starts: first cylinders on round things of the cloud.
    """
    sigma = cloud.clean.noise_mm
    flat = [_flat(cloud.points(patch.core)) for patch in patches[: 3 * LARGEST]]
    round_ = [r for start in starts if (r := _unrolled(cloud, start)) is not None]
    faces = sorted(flat + round_, key=lambda face: -len(face[1]))[: 3 * LARGEST]
    rms = [float(np.sqrt((off**2).mean())) for _, off in faces]
    most = EVEN * max(sigma, float(np.quantile(rms, 0.25)))
    even = [face for face, size in zip(faces, rms, strict=True) if size < most][:LARGEST]
    white, corr, length, power = estimate(even) if even else (sigma, sigma / 2, 10.0, 1.0)
    return NoiseModel(white, corr, length, settings.drift_mm, settings.drift_mm_per_m, power)


def _flat(points: Array) -> tuple[Array, Array]:
    """Places (n, 2) of points (n, 3) in their plane and residuals (n,), mm."""
    fit = fit_plane_robust(points[:: max(1, len(points) // FIT_POINTS)])
    local = (points - fit.centre) @ fit.axes.T
    return local[:, :2], local[:, 2]


def _unrolled(cloud: Cloud, start: CylinderFit) -> tuple[Array, Array] | None:
    """The same of the skin of a tube, unrolled; None where there is too little of one."""
    rows = skin_of(cloud.surface, start.axis, start.point, start.radius)
    low, high = run_of(cloud.surface, rows, start.axis, start.point, start.radius)
    along = (cloud.surface.points[rows] - start.point) @ start.axis
    points = cloud.points(rows[(along > low) & (along < high)])
    try:
        some = points[:: max(1, len(points) // FIT_POINTS)]
        fit = fit_cylinder(some, start.axis, start.point, start.radius, robust=True)
    except DataError:
        return None
    x, y, z = ((points - fit.point) @ fit.axes.T).T
    off = np.hypot(x, y) - fit.radius
    skin = np.abs(off) < OFF_SD * 1.4826 * np.median(np.abs(off))
    return np.column_stack([np.arctan2(y, x) * fit.radius, z])[skin], off[skin]
