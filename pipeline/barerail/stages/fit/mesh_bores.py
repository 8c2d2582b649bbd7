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
from barerail.stages.fit.cylinders import LEAST_ARC, arc_of
from barerail.stages.fit.fused_round import fused_cov

MOUTH = 4.0
"""How deep the mouths of a bore come out narrowed, in voxels (simulated scans)."""
NARROWED = 0.18
"""By how much a bore read at its mouths alone is narrowed, in voxels of its diameter (rms, simulated scans)."""
OFF_CENTRE = 0.03
"""Standard uncertainty of a bore's centre each way, in voxels, where it is seen all round (rms, simulated scans)."""
FEWEST = 40
INWARD = 0.7
"""Cosine by which a bore's skin faces the axis at least (judgement)."""
WALL_MM = 1.0
"""Thinnest wall of a sleeve (judgement)."""
UNLIKE = 0.3
"""Share by which a bore's radius past its mouths may differ from what it seemed (judgement)."""
APART = 12.0
"""Chi-square of two numbers, 99.8 %: outside and bore further apart than that have not one axis."""


def on_one_axis(outside: Feature, bore: Feature, cloud: Cloud, noise: NoiseModel) -> tuple[Feature, Feature]:
    """Outside and bore of a sleeve, by what of the bore's skin lies past its mouths too: two radii on one axis.

    The bore is as wide as it lies about the outside's axis, with what it would be about its own in its U. Where too
    little of it was seen, as they were, with the mouths' narrowing in that U; where outside and bore have not one axis,
    the outside's, with half of what they are apart by in its U, and the bore about its own.
    """
    deep = _past_mouths(outside, cloud)
    circle = _circle(deep, bore.diameter / 2)
    if circle is None:
        u = float(np.hypot(bore.u_diameter, NARROWED * cloud.voxel_mm))
        return outside, replace(bore, u_diameter=u)
    flat, cov = basis(outside.axis)[:2], _covariance(circle, deep, cloud.voxel_mm, noise)
    cov[:2, :2] += deep[:, 2].mean() ** 2 * flat @ outside.cov_axis @ flat.T
    own, between = flat @ outside.cov @ flat.T, circle.centre
    inverse = np.linalg.inv(own + cov[:2, :2])
    if between @ inverse @ between > APART:
        wider = replace(outside, cov=outside.cov + flat.T @ np.outer(between, between) @ flat / 4)
        return wider, replace(bore, diameter=2 * circle.radius, u_diameter=2 * float(np.sqrt(cov[2, 2])))
    shift, less = own @ inverse @ between, own @ inverse @ own
    ends, cov_of = outside.ends + shift @ flat, outside.cov - flat.T @ less @ flat
    moved = replace(outside, point=outside.point + shift @ flat, ends=ends, cov=cov_of)
    radius = np.hypot(*deep[:, :2].T)
    off = float((deep[:, :2] / radius[:, None]).mean(axis=0) @ between)
    u = 2 * float(np.sqrt(cov[2, 2] + off**2))
    return moved, replace(bore, diameter=2 * float(np.median(radius)), u_diameter=u)


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
    skin = cells[inward & deep & (radius < outside.diameter / 2 - WALL_MM)]
    return (cloud.points(skin) - outside.point) @ basis(outside.axis).T


def _circle(deep: Array, radius: float) -> CircleFit | None:
    """The circle of a bore's skin (n, 3), or None where too little of it was seen or it is no such circle."""
    if len(deep) < FEWEST or arc_of(deep[:, :2]) < LEAST_ARC:
        return None
    try:
        circle = fit_circle(deep[:, :2], (0.0, 0.0, radius), robust=True)
    except DataError:
        return None
    return circle if circle.converged and abs(circle.radius / radius - 1) < UNLIKE else None
