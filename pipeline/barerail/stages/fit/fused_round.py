"""What fusing does to round things in a mesh: to their width and direction, and what comes out round that is not."""

import numpy as np

from barerail.records import Array

FUSED_ROUND = np.array([0.35, 0.35, 0.0, 0.0, 0.45])
"""Standard uncertainty of a cylinder's axis and radius in a fused mesh, times voxel^2 / radius: the field between
voxels is taken for straight where it is round. From simulated scans."""
FUSED_LEAN = 0.25
"""Standard uncertainty of a cylinder's direction in a fused mesh, times voxel^1.5 / (radius^0.5 length): studs, sleeves
and tubes on simulated scans lie within one law so."""
FUSED_PROUD = 13.0
"""By how much a shaft of few voxels across reads too wide in a fused mesh, times voxel^3 / diameter^2: the distances
from its two sides meet within it. Studs of 4 to 10 voxels on simulated scans."""
LEAST_SHAFT = 4.0
"""Voxels across from which that was looked at; a thinner shaft is taken to stand proud by no more."""
THIN_SHAFT, THIN_TUBE, ALL_ROUND = 5.0, 6.0, 300.0
"""Voxels across under which a stud's shaft, and any other round thing, must be seen over more than so many degrees in a
fused mesh: a wire is no stud, and the edge of a sheet comes out round there, 4 to 5.5 voxels wide, over 160 to 270
(simulated scans). A stud is rarer where it is no stud than a tube where it is none: it need not be as wide."""


def all_round(diameter: float, arc_deg: float, voxel: float, thin: float) -> bool:
    """Whether a round thing was seen all round, or need not be, being `thin` voxels wide or more; voxel 0: a cloud."""
    return diameter >= thin * voxel or arc_deg > ALL_ROUND


def fused_cov(voxel: float, radius: float) -> Array:
    """Covariance (5, 5) of CylinderFit's parameters, mm2, that fusing with a voxel edge in mm adds; voxel 0: none."""
    return np.diag((FUSED_ROUND * voxel**2 / radius) ** 2)


def fused_lean(voxel: float, radius: float, length: float) -> float:
    """Variance in rad2, each way, that fusing adds to the direction of a cylinder seen over `length` mm."""
    return FUSED_LEAN**2 * voxel**3 / (radius * length**2)


def shaft_width(diameter: float, voxel: float) -> float:
    """Diameter in mm of a shaft that reads `diameter` in a mesh fused in voxels of that edge in mm; voxel 0: a cloud's.

    What is left of the error fits the U that `fused_cov` gives the reading (z rms 0.70 of 118 simulated studs).
    """
    return diameter - FUSED_PROUD * voxel**3 / max(diameter, LEAST_SHAFT * voxel) ** 2
