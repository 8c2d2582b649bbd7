"""Derivatives against differences, convergence, and robust weights that do what they say."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from barerail.geometry.circle import fit_circle
from barerail.geometry.cylinder import fit_cylinder
from barerail.geometry.leastsquares import covariance, solve
from barerail.geometry.plane import fit_plane, fit_plane_robust
from barerail.geometry.robust import huber_weights, mad_scale, tukey_weights
from barerail.geometry.slot import fit_slot
from geometry.fit_shapes import arc, off_line, patch, pose, stadium, tube, turned


def slopes(distance, count):
    """Central differences (n, count) of distance(step (count,)) -> (n,) about 0."""
    h = 1e-5
    return np.column_stack([(distance(h * e) - distance(-h * e)) / (2 * h) for e in np.eye(count)])


def to_segment(q, c, angle, half):
    u = np.array([np.cos(angle), np.sin(angle)])
    along = np.clip((q - c) @ u, -half, half)
    return np.linalg.norm(q - c - np.outer(along, u), axis=1)


def test_circle_jacobian_is_the_slope_of_the_residuals():
    rng = np.random.default_rng(1)
    p = arc(50, 6, 200)[0] + 0.1 * rng.standard_normal((50, 2)) + [300, -20]
    f = fit_circle(p)
    want = slopes(lambda d: np.linalg.norm(p - f.centre - d[:2], axis=1) - f.radius - d[2], 3)
    assert np.abs(f.jacobian - want).max() < 1e-8


def test_slot_jacobian_is_the_slope_of_the_residuals():
    rng = np.random.default_rng(2)
    p = stadium(60, 9, 5)[0] + 0.05 * rng.standard_normal((60, 2)) + [30, -20]
    f = fit_slot(p)
    want = slopes(lambda d: to_segment(p, f.centre + d[:2], f.angle + d[2], f.half_length + d[3]) - f.radius - d[4], 5)
    assert np.quantile(np.abs(f.jacobian - want).max(axis=1), 0.95) < 1e-7  # the joins have a kink


def test_plane_jacobian_is_the_slope_of_the_residuals():
    rng = np.random.default_rng(3)
    turn, place = pose(rng, 500)
    p = (patch(50, 90, 40, rng)[0] + 0.05 * rng.standard_normal((50, 3))) @ turn.T + place
    f = fit_plane(p)

    def distance(d):
        n = Rotation.from_rotvec(d[1] * f.axes[0] + d[2] * f.axes[1]).apply(f.normal)
        return (p - f.centre - d[0] * f.normal) @ n

    assert np.abs(f.jacobian - slopes(distance, 3)).max() < 1e-7


def test_cylinder_jacobian_is_the_slope_of_the_residuals():
    rng = np.random.default_rng(4)
    turn, place = pose(rng, 500)
    p = (tube(80, 20, 50, 150, rng)[0] + 0.05 * rng.standard_normal((80, 3))) @ turn.T + place
    f = fit_cylinder(p)
    u, v, w = f.axes

    def distance(d):
        axis = w + d[2] * u + d[3] * v
        away = np.cross(p - f.point - d[0] * u - d[1] * v, axis / np.linalg.norm(axis))
        return np.linalg.norm(away, axis=1) - f.radius - d[4]

    assert np.abs(f.jacobian - slopes(distance, 5)).max() < 1e-7


def test_the_end_is_flat_and_the_flag_tells():
    target = np.array([3.0, -1.0])
    x = np.linspace(0, 1, 20)
    y = target[0] * np.exp(target[1] * x) + 0.01 * np.sin(9 * x)

    def jacobian(b):
        return np.column_stack([np.exp(b[1] * x), b[0] * x * np.exp(b[1] * x)])

    s = solve(lambda b: b[0] * np.exp(b[1] * x) - y, jacobian, [1.0, 0.0])
    assert s.converged and s.iterations < 20
    assert np.abs(s.jacobian.T @ s.residuals).max() < 1e-13
    assert not solve(lambda b: b[0] * np.exp(b[1] * x) - y, jacobian, [1.0, 0.0], max_iter=2).converged


def test_weights_are_repeated_points():
    rng = np.random.default_rng(5)
    p = arc(30, 6, 120)[0] + 0.1 * rng.standard_normal((30, 2))
    count = rng.integers(1, 4, 30)

    def fit(q, w):
        return solve(
            lambda x: np.linalg.norm(q - x[:2], axis=1) - x[2],
            lambda x: -np.column_stack([(q - x[:2]) / np.linalg.norm(q - x[:2], axis=1)[:, None], np.ones(len(q))]),
            [0, 0, 5],
            weights=w,
        )

    a, b = fit(p, count), fit(np.repeat(p, count, axis=0), None)
    assert np.abs(a.x - b.x).max() < 1e-11
    white = covariance(b.jacobian, 0.1)
    assert np.allclose(covariance(a.jacobian, np.diag(0.01 / count), count), white, rtol=1e-9, atol=0)


def test_covariance_of_a_mean():
    n = 25
    assert covariance(np.ones((n, 1)), 0.5)[0, 0] == pytest.approx(0.25 / n)
    hangs_together = 0.04 * np.ones((n, n)) + 0.25 * np.eye(n)
    assert covariance(np.ones((n, 1)), hangs_together)[0, 0] == pytest.approx(0.04 + 0.25 / n)


def test_weight_functions_at_their_corners():
    r = np.array([0.0, 1.0, -1.345, 2.69, -100.0])
    assert huber_weights(r) == pytest.approx([1, 1, 1, 0.5, 0.01345])
    assert tukey_weights(np.array([0, 4.685, 9.0, 4.685 / np.sqrt(2)])) == pytest.approx([1, 0, 0, 0.25])
    assert tukey_weights(np.array([9.37]), scale=4.0) == pytest.approx([0.5625])
    assert mad_scale(np.random.default_rng(6).normal(5, 0.3, 20000)) == pytest.approx(0.3, rel=0.03)


def test_robust_fits_pass_by_a_fifth_of_outliers():
    rng = np.random.default_rng(7)
    p, out, _ = arc(100, 6, 360)
    p = p + 0.05 * rng.standard_normal((100, 1)) * out
    p[:20] += rng.uniform(1, 5, (20, 2))
    plain, robust = fit_circle(p), fit_circle(p, robust=True)
    assert robust.converged and np.linalg.norm(robust.centre) < 0.03 < 0.3 < np.linalg.norm(plain.centre)
    assert np.all(robust.weights[:20] == 0)

    q = patch(500, 100, 60, rng)[0] + [0, 0, 1] * (0.05 * rng.standard_normal((500, 1)))
    q[:100, 2] += rng.uniform(0.5, 4, 100)
    assert turned(fit_plane_robust(q).normal, [0, 0, 1]) < 3e-4
    assert abs(fit_plane_robust(q).centre @ [0, 0, 1]) < 0.02 < fit_plane(q).centre[2]

    t, out, _ = tube(400, 20, 60, 180, rng)
    t = t + 0.05 * rng.standard_normal((400, 1)) * out
    t[:80] += rng.uniform(1, 8, (80, 3))
    fit = fit_cylinder(t, robust=True)
    assert turned(fit.axis, [0, 0, 1]) < 1e-3 and off_line(fit.point, fit.axis, np.zeros(3)) < 0.03
    assert fit.radius == pytest.approx(20, abs=0.03)

    s, out, _ = stadium(120, 9, 5)
    s = s + 0.05 * rng.standard_normal((120, 1)) * out
    s[:15] += rng.uniform(1, 3, (15, 2))
    slot = fit_slot(s, robust=True)
    assert np.linalg.norm(slot.centre) < 0.05
    assert (slot.half_length, slot.radius) == pytest.approx((9, 5), abs=0.05)


def test_robust_without_outliers_or_noise_is_exact():
    p = arc(50, 6, 250)[0] + [1000, 20]
    fit = fit_circle(p, robust=True)
    assert np.abs(fit.centre - [1000, 20]).max() < 1e-9 and fit.radius == pytest.approx(6, abs=1e-9)
    p[3] += 4
    fit = fit_circle(p, robust=True)
    assert np.abs(fit.centre - [1000, 20]).max() < 1e-9 and fit.weights[3] == 0


@pytest.mark.parametrize("far", [0.0, 2000.0])
def test_robust_fits_of_points_that_lie_on_it_but_for_rounding_stand_wherever_it_lies(far):
    """Weighed by rounding alone, a few points would count for all and leave the fit open."""
    rng = np.random.default_rng(7)
    grid = np.stack(np.meshgrid(np.arange(20.0) * 5, np.arange(3.0) * 5, [0.0]), axis=-1).reshape(-1, 3)
    about = np.repeat(np.linspace(0, 2 * np.pi, 60, endpoint=False), 5)
    ring = 10 * np.column_stack([np.cos(about), np.sin(about)])
    for _ in range(50):
        turn, place = Rotation.random(rng=rng), far * rng.normal(size=3)
        assert abs(fit_plane_robust(turn.apply(grid) + place).normal @ turn.apply([0, 0, 1.0])) == pytest.approx(1.0)
        assert fit_circle(ring + place[:2], (*place[:2], 9.7), robust=True).radius == pytest.approx(10.0)


def test_same_points_same_bytes():
    rng = np.random.default_rng(8)
    p = tube(400, 20, 60, 180, rng)[0] + 0.05 * rng.standard_normal((400, 3))
    a, b = fit_cylinder(p, robust=True), fit_cylinder(p.copy(), robust=True)
    assert a.residuals.tobytes() == b.residuals.tobytes() and a.axes.tobytes() == b.axes.tobytes()
