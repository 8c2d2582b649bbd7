"""Planes: each patch fitted on its full-resolution points."""

import numpy as np
from scipy.spatial import ConvexHull

from barerail.geometry.covariance import propagate
from barerail.geometry.plane import fit_plane_robust
from barerail.records import Array, NoiseModel, Plane
from barerail.stages.fit.cloud import Cloud, outward
from barerail.stages.fit.patches import Patch

MOST_POINTS = 1500
"""Most points of one plane fit: beyond that its error is the noise's correlation, not its count."""


def plane_of(cloud: Cloud, patch: Patch, noise: NoiseModel) -> Plane:
    """The plane of a patch by robust orthogonal least squares on its full-resolution points away from rims."""
    surface = cloud.surface
    points = cloud.points(patch.core)
    points = points[:: max(1, len(points) // MOST_POINTS)]
    fit = fit_plane_robust(points)
    sign = outward(surface, patch) * np.sign(fit.axes[2] @ patch.normal)
    u, n = fit.axes[0], sign * fit.axes[2]
    axes = np.array([u, np.cross(n, u), n])
    grown = (surface.points[patch.grown] - fit.centre) @ axes[:2].T
    d = (points - fit.centre) @ axes[:2].T
    jacobian = np.column_stack([-np.ones(len(d)), -d[:, 1], d[:, 0]])
    ring = grown[ConvexHull(grown).vertices]
    extent = np.ptp(grown, axis=0)
    return Plane(
        centre=fit.centre,
        axes=axes,
        cov=propagate(jacobian, d, noise, limit=300),
        rms=fit.rms,
        n=len(points),
        area_mm2=_area(grown, cloud.clean.voxel_mm),
        extent=(float(extent[0]), float(extent[1])),
        members=surface.rows[patch.grown],
        outline=fit.centre + ring @ axes[:2],
    )


def _area(flat: Array, cell: float) -> float:
    """Area in mm2 of the cells of edge `cell` that hold a point of flat (n, 2)."""
    at = np.floor((flat - flat.min(axis=0)) / cell).astype(np.int64)
    return float(np.count_nonzero(np.bincount(at[:, 0] * (at[:, 1].max() + 1) + at[:, 1])) * cell**2)
