"""Data whose least-squares answer is known by construction, at any size and place.

Source: the null-space method of the data generators for testing least-squares software (from memory: NPL and NIST;
Cox & Forbes, NPL DITC 92/87 and later): ideal points plus residuals square to every column of the Jacobian, so that
the ideal shape is the least-squares one exactly. The Jacobians here are the test's own.
"""

import numpy as np
import pytest

from barerail.geometry.circle import fit_circle
from barerail.geometry.cylinder import fit_cylinder, fit_cylinder_shared
from barerail.geometry.plane import fit_plane
from barerail.geometry.slot import fit_slot
from geometry.fit_shapes import arc, off_line, patch, pose, stadium, tube, turned, unfelt

SIZES = [0.05, 1.0, 20.0, 3000.0]
CLOSE = 1e-9
"""Of the size of the shape."""


def built(shape, size, rng, share=0.01):
    points, out, jacobian = shape
    return points + unfelt(jacobian, share * size, rng)[:, None] * out


def turn2(angle):
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s], [s, c]])


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("seed", range(4))
def test_plane(size, seed):
    rng = np.random.default_rng(seed)
    turn, place = pose(rng, 100 * size)
    fit = fit_plane(built(patch(200, size, 0.3 * size, rng), 0.1 * size, rng) @ turn.T + place)
    assert abs((fit.centre - place) @ turn[:, 2]) < CLOSE * size
    assert turned(fit.normal, turn[:, 2]) < CLOSE


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("degrees", [45, 60, 90, 120, 180, 270, 360])
def test_circle(size, degrees):
    rng = np.random.default_rng(degrees)
    place = 100 * size * rng.uniform(-1, 1, 2)
    p = built(arc(60, size, degrees), size, rng, 0.005) @ turn2(rng.uniform(0, 6)).T + place
    fit = fit_circle(p)
    assert fit.converged
    assert np.linalg.norm(fit.centre - place) < CLOSE * size
    assert abs(fit.radius - size) < CLOSE * size


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("long", [0.2, 1.0, 8.0])
def test_slot(size, long):
    rng = np.random.default_rng(3)
    angle, place = rng.uniform(-1.5, 1.5), 100 * size * rng.uniform(-1, 1, 2)
    fit = fit_slot(built(stadium(90, long * size, size), size, rng, 0.005) @ turn2(angle).T + place)
    assert fit.converged
    assert np.linalg.norm(fit.centre - place) < CLOSE * size * max(long, 1)
    assert abs(np.sin(fit.angle - angle)) < CLOSE
    assert abs(fit.half_length - long * size) < CLOSE * size * max(long, 1)
    assert abs(fit.radius - size) < CLOSE * size


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("degrees", "length"), [(360, 1), (360, 8), (180, 3), (90, 1.5), (60, 3)])
def test_cylinder(size, degrees, length):
    rng = np.random.default_rng(degrees)
    turn, place = pose(rng, 100 * size)
    fit = fit_cylinder(built(tube(120, size, length * size, degrees, rng), size, rng, 0.005) @ turn.T + place)
    assert fit.converged
    assert off_line(place, turn[:, 2], fit.point) < CLOSE * size
    assert turned(fit.axis, turn[:, 2]) < CLOSE
    assert abs(fit.radius - size) < CLOSE * size


@pytest.mark.parametrize("size", SIZES)
def test_sleeve(size):
    rng = np.random.default_rng(1)
    turn, place = pose(rng, 100 * size)
    sides = [tube(90, r * size, 2 * size, a, rng) for r, a in ((1.0, 250), (0.8, 140))]
    points, out, j = (np.vstack([side[i] for side in sides]) for i in range(3))
    radii = np.repeat(np.eye(2), 90, axis=0)
    p = built((points, out, np.column_stack([j[:, :4], radii])), size, rng, 0.005) @ turn.T + place
    fit = fit_cylinder_shared(p[:90], p[90:])
    assert fit.converged
    assert off_line(place, turn[:, 2], fit.point) < CLOSE * size and turned(fit.axis, turn[:, 2]) < CLOSE
    assert abs(fit.outer - size) < CLOSE * size and abs(fit.inner - 0.8 * size) < CLOSE * size
