"""Which way a face looks about a hole in it: of a frame that is bent or twisted, elsewhere at every place."""

import numpy as np

from barerail.geometry.covariance import propagate
from barerail.geometry.leastsquares import inverse_normal
from barerail.geometry.plane import fit_plane, fit_plane_robust
from barerail.records import Array, NoiseModel, Plane
from barerail.stages.fit.cloud import Cloud, Face
from barerail.stages.fit.patches import pieces_of
from barerail.stages.fit.surface import FLAT

ABOUT_MM = 200.0
"""How far from a hole its face is read for the hole's direction (judgement): what is further off may be bent."""
FEWEST = 10
NARROWEST_MM = 2.5
"""How many thinned points of a face are enough for its direction, and how wide they lie across (sd, judgement)."""
RECTANGLE = 12.0
"""Square of a rectangle's length over the variance of what is spread evenly along it (JCGM 100:2008, 4.3.7)."""
MOST_POINTS = 1000
BEND = 6e-6
"""Standard uncertainty of how much more a face turns per mm, each way, rad: a degree over 3 m (judgement)."""


def tilt_at(cloud: Cloud, face: Face, at: Array, noise: NoiseModel, off: float) -> tuple[Array, Array]:
    """Normal (3,) of a face about a place (2,) in it, and its covariance (3, 3) in rad2, in scan axes.

    off: sd in mm of how far one end of what is read may stand above the other, beyond the noise; 0 in a cloud.
    """
    local = (_about(cloud, face, at) - face.centre) @ face.axes.T - [*at, 0.0]
    fit = fit_plane_robust(local)
    d = local[:, :2]
    jacobian = np.column_stack([np.ones(len(d)), d])
    cov = propagate(jacobian, d, noise, limit=300)[1:, 1:] + off**2 * np.linalg.inv(RECTANGLE * np.cov(d.T))
    bent = np.column_stack([d[:, 0] ** 2 / 2, d[:, 0] * d[:, 1], d[:, 1] ** 2 / 2])
    by_bend = BEND * (inverse_normal(jacobian) @ (jacobian.T @ bent))[1:]
    normal = face.axes.T @ (fit.normal * np.sign(fit.normal[2]))
    return normal, face.axes[:2].T @ (cov + by_bend @ by_bend.T) @ face.axes[:2]


def _about(cloud: Cloud, face: Face, at: Array) -> Array:
    """Full-resolution points of a face away from rims, within ABOUT_MM of a place in it; of all where those are few.

    What is twisted out of the face's mean plane belongs to it all the same: without it, it would seem less twisted.
    """
    surface, middle = cloud.surface, face.centre + at @ face.axes[:2]
    core = face.core[np.linalg.norm(surface.points[face.core] - middle, axis=1) < ABOUT_MM]
    if len(core) < FEWEST or _width(surface.points[core] @ face.axes[:2].T) < NARROWEST_MM:
        core = face.core
    first = fit_plane(surface.points[core])
    ball = np.asarray(cloud.tree.query_ball_point(middle, ABOUT_MM, return_sorted=True), np.int64)
    level = np.abs((surface.points[ball] - first.centre) @ first.normal) < face.tolerance
    facing = surface.normals[ball] @ first.normal * np.sign(first.normal @ face.axes[2]) > np.cos(FLAT)
    flush = np.union1d(core, ball[level & facing & (surface.flat[ball] < FLAT)])
    piece = pieces_of(surface, flush)
    points = cloud.points(flush[np.isin(piece, piece[np.isin(flush, core)])])
    return points[:: max(1, len(points) // MOST_POINTS)]


def _width(flat: Array) -> float:
    """Standard deviation in mm of places (n, 2) the narrow way."""
    return float(np.sqrt(max(np.linalg.eigvalsh(np.cov(flat.T))[0], 0.0)))


def tilt_of(plane: Plane, off: float) -> Array:
    """Covariance (3, 3) in rad2 of a plane's normal, off as in `tilt_at`."""
    turn = np.array([-plane.axes[1], plane.axes[0]])
    ends = (off / np.array(plane.extent[::-1])) ** 2
    return turn.T @ (plane.cov[1:, 1:] + np.diag(ends)) @ turn
