"""Bores in fused meshes: their rims from sections of the triangles, and what fusing adds to their uncertainty."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.covariance import MESH_OFF
from barerail.geometry.mesh_rim import fit_mesh_rim, further_down
from barerail.geometry.rim import Rim, circle
from barerail.records import Array
from barerail.stages.fit.cloud import Cloud, Face

MESH_EDGE = np.array([0.17, 0.17, 0.2, 0.05, 0.07])
MESH_WALL_EDGE = np.array([0.1, 0.1, 0.12, 0.05, 0.07])
MESH_SHEET_EDGE = np.array([0.3, 0.3, 0.26, MESH_OFF, 0.2])
MESH_SHEET_BELOW = np.array([0.25, 0.25, 0.26, MESH_OFF, 0.2])
"""Standard uncertainty of x, y, radius and height of a rim in a fused mesh and of how far one end of its face stands
above the other, in voxels, in a plate, where its wall was seen all round, in a thin sheet, and after a look further
down that: errors (rms) on simulated scans whose cameras look at it squarely, at 45 degrees and at 70."""
THINNEST = 0.75
"""Thickness in voxels below which a sheet cannot have been fused in such: the mesh is coarser than it was."""
SHEET_VOXELS = 5.0
"""Thickness as measured, in voxels, up to which both faces of a sheet push each other out in a fused mesh: distances
are cut off at three voxels or so, and each face stands one proud or more."""


def rim_at(face: Face, disc: Array, height: float, other: float, cloud: Cloud) -> Rim | None:
    """The rim about a disc (3,), from sections just under the face; None where they make no circle.

    height: of the face there over its mean plane, mm. other: z of the sheet's other face, -inf where it was not seen.
    """
    local, triangles = _about(face, disc, height, cloud)
    return fit_mesh_rim(local, triangles, disc, _voxel(other, cloud), circle)


def rim_below(face: Face, rim: Rim, height: float, other: float, cloud: Cloud) -> tuple[Rim, Array | None]:
    """The rim after a look further down, and its standard uncertainty (5,) in mm; None where it says nothing new."""
    local, triangles = _about(face, rim.mean, height, cloud)
    thickness = -other if thin(other, cloud.voxel_mm) else np.inf
    below = further_down(local, triangles, rim, _voxel(other, cloud), circle, thickness)
    if below is rim:
        return rim, None
    edge = MESH_WALL_EDGE if below.upright else MESH_SHEET_BELOW
    return replace(below, n_wall=rim.n_wall), edge * cloud.voxel_mm


def thin(other: float, voxel: float) -> bool:
    """Whether a sheet's other face, at z = `other` mm, was seen, as near as to disturb this one in a fused mesh."""
    return other > -SHEET_VOXELS * voxel


def _about(face: Face, disc: Array, height: float, cloud: Cloud) -> tuple[Array, NDArray[np.integer]]:
    """Corners (n, 3) in the face's axes, z over the face at the disc, and triangles (m, 3) about it."""
    middle = face.centre + face.axes.T @ np.array([*disc[:2], height])
    points, triangles = cloud.triangles(middle, disc[2] + 3 * cloud.clean.spacing_mm + 3.0)
    return (points - face.centre) @ face.axes.T - [0.0, 0.0, height], triangles


def _voxel(other: float, cloud: Cloud) -> float:
    """Edge in mm of what the mesh was fused in, but of a sheet too thin for such."""
    return min(cloud.voxel_mm, -other / THINNEST)
