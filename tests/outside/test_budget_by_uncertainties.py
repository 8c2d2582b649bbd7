"""A whole budget by an independent package: the distance of a hole's centre from a datum plane.

Source: `uncertainties` 3.2 (E. O. Lebigot), linear propagation of correlated inputs with derivatives by differences of
the whole calculation, from each measured point to the distance (JCGM 100:2008, 5.2.2).
"""

import numpy as np
import pytest
import uncertainties

from barerail.geometry.circle import fit_circle
from barerail.geometry.covariance import matrix, propagate
from barerail.geometry.plane import fit_plane
from barerail.records import NoiseModel
from geometry.fit_shapes import arc, grid

MODEL = NoiseModel(0.05, 0.08, 4.0, 0, 0)
HOLE = np.array([35.0, 140.0])
ZERO = 100.0
"""Readings start this far off, mm: the package takes differences in steps of 1.5e-8 of a reading."""


@pytest.fixture(scope="module")
def case():
    """A datum face 90 x 60 mm in z = 0, and a hole in a face x = 200 whose axis is x; rows: heights, then radii."""
    rng = np.random.default_rng(31)
    xy = grid(19, 13, 5.0)
    face = np.column_stack([xy - xy.mean(axis=0) + [15, -8], np.zeros(len(xy))])
    rim, out, _ = arc(24, 6, 300)
    rim = rim + HOLE
    heights, radial = 0.08 * rng.standard_normal(len(face)), 0.05 * rng.standard_normal(len(rim))

    def distance(*readings):
        noise = np.array(readings) - ZERO
        plane = fit_plane(face + np.outer(noise[: len(face)], [0, 0, 1]))
        circle = fit_circle(rim + noise[len(face) :, None] * out)
        return float((np.array([200.0, *circle.centre]) - plane.centre) @ plane.normal)

    return face, rim, np.concatenate([heights, radial]), distance


def by_package(case, covariance):
    _, _, values, distance = case
    inputs = uncertainties.correlated_values(values + ZERO, covariance)
    return uncertainties.wrap(distance)(*inputs)


def by_fits(case):
    """Distance and its standard uncertainty from each fit's own covariance."""
    face, rim, values, _ = case
    n = len(face)
    measured = face + np.outer(values[:n], [0, 0, 1])
    plane = fit_plane(measured)
    out = (rim - HOLE) / 6
    circle = fit_circle(rim + values[n:, None] * out)
    centre = np.array([200.0, *circle.centre])
    x, y, height = plane.axes @ (centre - plane.centre)
    by_plane, by_circle = np.array([-1.0, -y, x]), plane.normal[1:]
    plane_cov = propagate(plane.jacobian, measured, MODEL)
    circle_cov = propagate(circle.jacobian, rim, MODEL)[:2, :2]
    return height, np.sqrt(by_plane @ plane_cov @ by_plane + by_circle @ circle_cov @ by_circle)


def test_distance_and_its_uncertainty(case):
    face, rim, _, _ = case
    n, m = len(face), len(rim)
    covariance = np.zeros((n + m, n + m))
    covariance[:n, :n] = matrix(face, 0.05, 0.08, 4.0)
    covariance[n:, n:] = matrix(rim, 0.05, 0.08, 4.0)
    value, u = by_fits(case)
    judge = by_package(case, covariance)
    assert value == pytest.approx(judge.nominal_value, abs=1e-9)
    assert u == pytest.approx(judge.std_dev, rel=0.002)


def test_white_noise_would_be_far_too_small(case):
    """The same budget with the same variance but nothing hanging together: well under two thirds."""
    face, rim, _, _ = case
    white = by_package(case, (0.05**2 + 0.08**2) * np.eye(len(face) + len(rim)))
    assert white.std_dev < 0.67 * by_fits(case)[1]
