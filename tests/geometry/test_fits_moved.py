"""Move, turn, scale or reorder the points and the fit does the same; far from the origin too."""

import numpy as np
import pytest

from barerail.geometry.circle import fit_circle
from barerail.geometry.cylinder import axis_from_normals, fit_cylinder, fit_cylinder_shared
from barerail.geometry.line import fit_line
from barerail.geometry.plane import fit_plane, fit_plane_robust
from barerail.geometry.slot import fit_slot
from geometry.fit_shapes import arc, off_line, patch, pose, stadium, tube, turned

FAR = [0.0, 1e4, 1e6]
"""mm from the origin; rounding of the coordinates alone is 1e-10 mm at the last."""


def noisy(shape, rng, sigma=0.1):
    points, out, _ = shape
    return points + sigma * rng.standard_normal((len(points), 1)) * out


@pytest.mark.parametrize("reach", FAR)
def test_plane(reach):
    rng = np.random.default_rng(1)
    p = noisy(patch(500, 100, 60, rng), rng)
    turn, place = pose(rng, reach)
    for fit in (fit_plane, fit_plane_robust):
        a, b = fit(p), fit(p @ turn.T + place)
        assert turned(b.normal, turn @ a.normal) < 1e-8
        assert np.abs(b.centre - (turn @ a.centre + place)).max() < 1e-8
        assert b.rms == pytest.approx(a.rms, rel=1e-7)
        assert np.linalg.det(b.axes) == pytest.approx(1, abs=1e-12)
        assert turned(b.axes[0], turn @ a.axes[0]) < 1e-6


@pytest.mark.parametrize("reach", FAR)
def test_line(reach):
    rng = np.random.default_rng(2)
    p = np.outer(np.linspace(-50, 50, 80), [1, 0, 0]) + 0.1 * rng.standard_normal((80, 3))
    turn, place = pose(rng, reach)
    a, b = fit_line(p), fit_line(p @ turn.T + place)
    assert turned(b.direction, turn @ a.direction) < 1e-9
    assert np.abs(b.point - (turn @ a.point + place)).max() < 1e-8
    assert np.abs(a.residuals - b.residuals).max() < 1e-8


@pytest.mark.parametrize("reach", FAR)
@pytest.mark.parametrize(("degrees", "robust"), [(360, False), (90, False), (360, True)])
def test_circle(reach, degrees, robust):
    rng = np.random.default_rng(3)
    p = noisy(arc(120, 6, degrees), rng)
    c, s = np.cos(1.1), np.sin(1.1)
    turn, place = np.array([[c, -s], [s, c]]), reach * rng.uniform(-1, 1, 2)
    a, b = fit_circle(p, robust=robust), fit_circle(p @ turn.T + place, robust=robust)
    assert a.converged and b.converged
    assert np.abs(b.centre - (turn @ a.centre + place)).max() < 1e-7
    assert b.radius == pytest.approx(a.radius, abs=1e-7)


@pytest.mark.parametrize("reach", FAR)
def test_slot(reach):
    rng = np.random.default_rng(4)
    p = noisy(stadium(120, 9, 5), rng)
    c, s = np.cos(2.0), np.sin(2.0)
    turn, place = np.array([[c, -s], [s, c]]), reach * rng.uniform(-1, 1, 2)
    a, b = fit_slot(p), fit_slot(p @ turn.T + place)
    assert a.converged and b.converged
    assert np.abs(b.centre - (turn @ a.centre + place)).max() < 1e-8
    assert np.sin(b.angle - a.angle - 2.0) == pytest.approx(0, abs=1e-9)
    assert -np.pi / 2 < b.angle <= np.pi / 2
    assert (b.half_length, b.radius) == pytest.approx((a.half_length, a.radius), abs=1e-8)


@pytest.mark.parametrize("reach", FAR)
@pytest.mark.parametrize(("degrees", "robust"), [(360, False), (100, False), (200, True)])
def test_cylinder(reach, degrees, robust):
    rng = np.random.default_rng(5)
    p = noisy(tube(300, 20, 60, degrees, rng), rng)
    turn, place = pose(rng, reach)
    a, b = fit_cylinder(p, robust=robust), fit_cylinder(p @ turn.T + place, robust=robust)
    assert a.converged and b.converged
    assert turned(b.axis, turn @ a.axis) < 1e-8
    assert off_line(b.point, b.axis, turn @ a.point + place) < 1e-7
    assert b.radius == pytest.approx(a.radius, abs=1e-7)
    assert np.abs(a.residuals - b.residuals).max() < 1e-7
    assert np.abs(b.axes[2] - b.axis).max() == 0


def test_cylinder_point_is_the_foot_of_the_centroid():
    rng = np.random.default_rng(6)
    p = noisy(tube(300, 20, 60, 100, rng), rng)
    fit = fit_cylinder(p)
    assert (p.mean(axis=0) - fit.point) @ fit.axis == pytest.approx(0, abs=1e-12)


def test_cylinder_does_not_care_for_the_start_or_the_order():
    rng = np.random.default_rng(7)
    p = noisy(tube(900, 20, 60, 150, rng), rng)
    a = fit_cylinder(p)
    for b in (fit_cylinder(p[::-1]), fit_cylinder(p, [0.3, -0.2, 1]), fit_cylinder(p, [0.2, 0, 1], [1, -2, 9], 18.0)):
        assert turned(a.axis, b.axis) < 1e-10
        assert off_line(a.point, a.axis, b.point) < 1e-10
        assert a.radius == pytest.approx(b.radius, abs=1e-10)


def test_sleeve_of_two_full_surfaces_is_both_cylinders():
    rng = np.random.default_rng(8)
    turn, place = pose(rng, 3000)
    outer = noisy(tube(400, 22, 60, 200, rng), rng, 0.02) @ turn.T + place
    inner = noisy(tube(300, 17, 60, 130, rng), rng, 0.02) @ turn.T + place
    fit = fit_cylinder_shared(outer, inner)
    assert fit.converged
    assert (fit.outer, fit.inner) == pytest.approx((22, 17), abs=0.01)
    assert turned(fit.axis, turn[:, 2]) < 2e-4
    assert off_line(fit.point, fit.axis, place) < 0.01
    assert fit.jacobian.shape == (700, 6)
    again = fit_cylinder_shared(outer, inner, start_axis=turn[:, 2])
    assert again.outer == pytest.approx(fit.outer, abs=1e-10)
    side = np.linalg.norm(np.cross(outer - fit.point, fit.axis), axis=1) - fit.outer
    assert np.abs(side - fit.residuals[:400]).max() < 1e-9


def test_held_radius_is_held():
    rng = np.random.default_rng(9)
    p = noisy(arc(40, 6, 60), rng, 0.02)
    free, held = fit_circle(p), fit_circle(p, radius=6.0)
    assert held.radius == 6.0 and held.jacobian.shape == (40, 2) and held.converged
    assert np.linalg.norm(held.centre) < 0.02 < np.linalg.norm(free.centre)
    q = noisy(tube(300, 20, 60, 60, rng), rng, 0.05)
    tube_held = fit_cylinder(q, radius=20.0)
    assert tube_held.radius == 20.0 and tube_held.jacobian.shape == (300, 4) and tube_held.converged
    assert off_line(np.zeros(3), np.array([0, 0, 1.0]), tube_held.point) < 0.05


def test_axis_from_normals():
    rng = np.random.default_rng(10)
    _, out, _ = tube(200, 20, 60, 80, rng)
    turn, _ = pose(rng, 0)
    assert turned(axis_from_normals(out @ turn.T), turn[:, 2]) < 1e-7
    mixed = np.vstack([out, np.tile([0, 0.6, 0.8], (50, 1))])
    weights = np.r_[np.ones(200), np.zeros(50)]
    assert turned(axis_from_normals(mixed @ turn.T, weights), turn[:, 2]) < 1e-7
    assert turned(axis_from_normals(mixed @ turn.T), turn[:, 2]) > 0.1
