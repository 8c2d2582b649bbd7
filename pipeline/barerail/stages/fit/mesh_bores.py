"""A sleeve in a fused mesh: one axis from its outside and from its bore, past the mouths that fusing narrows."""

from dataclasses import replace

import numpy as np
from scipy.linalg import block_diag

from barerail.errors import DataError
from barerail.geometry.circle import CircleFit, fit_circle
from barerail.geometry.covariance import propagate
from barerail.geometry.frames import basis
from barerail.records import Array, Feature, NoiseModel
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import LEAST_ARC, arc_of, fused_cov

MOUTH = 4.0
"""How deep the mouths of a bore come out narrowed, in voxels (simulated scans)."""
NARROWED = 0.18
"""By how much a bore read at its mouths alone is narrowed, in voxels of its diameter (rms, simulated scans)."""
OFF_CENTRE = 0.03
"""Standard uncertainty of a bore's centre each way, in voxels, where it is seen all round (rms, simulated scans)."""
FEWEST = 40
INWARD = 0.7
"""Cosine by which a bore's skin faces the axis at least (judgement)."""
APART = 12.0
"""Chi-square of two numbers, 99.8 %: outside and bore further apart than that have not one axis."""


def on_one_axis(outside: Feature, bore: Feature, cloud: Cloud, noise: NoiseModel) -> tuple[Feature, Feature]:
    """Outside and bore of a sleeve, by what of the bore's skin lies past its mouths too: two radii on one axis.

    Where too little of that was seen, as they were, with the mouths' narrowing in the U of the bore's diameter; where
    outside and bore have not one axis, the outside's, with half of what they are apart by in its U.
    """
    deep = _past_mouths(outside, cloud)
    circle = _circle(deep, bore.diameter / 2)
    if circle is None:
        u = float(np.hypot(bore.u_diameter, NARROWED * cloud.voxel_mm))
        return outside, replace(bore, u_diameter=u)
    cov = _covariance(circle, deep, cloud.voxel_mm, noise)
    flat = basis(outside.axis)[:2]
    own, between = flat @ outside.cov @ flat.T, circle.centre
    inverse = np.linalg.inv(own + cov[:2, :2])
    if between @ inverse @ between > APART:
        shift, change = np.zeros(2), np.outer(between, between) / 4
    else:
        shift, change = own @ inverse @ between, -own @ inverse @ own
    moved = replace(outside, point=outside.point + shift @ flat, cov=outside.cov + flat.T @ change @ flat)
    width = 2 * float(np.median(np.hypot(*deep[:, :2].T)))
    return moved, replace(bore, diameter=width, u_diameter=2 * float(np.sqrt(cov[2, 2])))


def _covariance(circle: CircleFit, deep: Array, voxel: float, noise: NoiseModel) -> Array:
    """Covariance (3, 3) in mm2 of a bore's centre and radius, by how far round it is seen."""
    seen = circle.jacobian.T @ circle.jacobian
    centre = (OFF_CENTRE * voxel) ** 2 * len(deep) / 2 * np.linalg.inv(seen)[:2, :2]
    radius = fused_cov(voxel, circle.radius)[4:, 4:]
    return propagate(circle.jacobian, deep, noise, limit=300) + block_diag(centre, radius)


def _past_mouths(outside: Feature, cloud: Cloud) -> Array:
    """Points (n, 3) of the bore's skin past its mouths, about the sleeve's middle, its axis last."""
    surface, half = cloud.surface, outside.length / 2
    ball = cloud.tree.query_ball_point(outside.point, np.hypot(half, outside.diameter / 2), return_sorted=True)
    cells = np.asarray(ball, np.int64)
    away = surface.points[cells] - outside.point
    along = away @ outside.axis
    away -= np.outer(along, outside.axis)
    radius = np.linalg.norm(away, axis=1)
    inward = np.einsum("ij,ij->i", surface.normals[cells], away) < -INWARD * radius
    deep = np.abs(along) < half - MOUTH * cloud.voxel_mm
    skin = cells[inward & deep & (radius < outside.diameter / 2 - 1)]
    return (cloud.points(skin) - outside.point) @ basis(outside.axis).T


def _circle(deep: Array, radius: float) -> CircleFit | None:
    """The circle of a bore's skin (n, 3), or None where too little of it was seen."""
    if len(deep) < FEWEST or arc_of(deep[:, :2]) < LEAST_ARC:
        return None
    try:
        return fit_circle(deep[:, :2], (0.0, 0.0, radius), robust=True)
    except DataError:
        return None
