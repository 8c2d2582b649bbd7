"""The noise model: found again from planes, and its quick sums against the full ones."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial.distance import cdist
from scipy.special import gamma

from barerail.geometry.covariance import _Some, estimate, matrix, propagate
from barerail.geometry.leastsquares import covariance
from barerail.records import NoiseModel
from geometry.fit_shapes import grid, noise_field, patch, tube


def weight_of(white, corr, length, power, step):
    """Variance of the mean of a large plane times its number of points: what the model is for."""
    return white**2 + corr**2 * 2 * np.pi * (length / step) ** 2 * gamma(2 / power) / power


@pytest.mark.parametrize(
    ("white", "corr", "length", "step", "nx", "ny", "count", "share"),
    [
        (0.07, 0.07, 3.0, 1.0, 140, 140, 8, 0.15),
        (0.07, 0.07, 3.0, 1.0, 60, 250, 8, 0.2),
        (0.00, 0.10, 3.0, 1.0, 120, 120, 8, 0.2),
        (0.05, 0.10, 1.0, 0.5, 140, 140, 8, 0.15),
        (0.07, 0.07, 6.0, 1.0, 140, 140, 10, 0.35),
        (0.07, 0.07, 6.0, 1.0, 90, 90, 10, 0.25),
    ],
)
def test_noise_is_found_again(white, corr, length, step, nx, ny, count, share):
    rng = np.random.default_rng(7)
    places = grid(nx, ny, step)
    found = estimate([(places, noise_field(nx, ny, step, white, corr, length, rng)) for _ in range(count)])
    assert weight_of(*found, step) == pytest.approx(weight_of(white, corr, length, 1.0, step), rel=share)
    assert np.hypot(*found[:2]) == pytest.approx(np.hypot(white, corr), rel=0.03)


def test_a_small_face_on_a_grid_gives_the_same_in_any_order():
    rng = np.random.default_rng(7)
    places = grid(50, 53, 1.0)
    fields = [noise_field(50, 53, 1.0, 0.07, 0.07, 6.0, rng) for _ in range(10)]
    shuffled = [rng.permutation(len(places)) for _ in fields]
    found = estimate([(places, r) for r in fields])
    assert found == pytest.approx(estimate([(places[k], r[k]) for k, r in zip(shuffled, fields)]), rel=1e-6)
    assert weight_of(*found, 1.0) == pytest.approx(weight_of(0.07, 0.07, 6.0, 1.0, 1.0), rel=0.35)


@pytest.mark.parametrize(("length", "power"), [(10.0, 1.0), (15.0, 2.0)])
def test_some_points_show_what_taking_out_a_quadratic_does_to_all(length, power):
    """By the full matrices; evenly spaced rows of this grid would hold two rows of it alone."""
    xy = grid(159, 10, 1.0) * [1, 4]
    h, away = cdist(xy, xy), np.eye(len(xy))
    x, y = ((xy - xy.mean(axis=0)) / np.ptp(xy, axis=0)).T
    q = np.linalg.qr(np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y]))[0]
    away -= q @ q.T
    c = np.exp(-((h / length) ** power))
    fall, band = c - away @ c @ away, np.floor(h / 5)
    pairs = [(band == k) & (h > 0) for k in range(8)]
    want, at = np.array([[fall[k].mean(), h[k].mean()] for k in pairs]).T
    assert _Some(xy, 1.0).lowered(length, power, at) == pytest.approx(want, rel=0.08)


def test_smooth_noise_is_told_from_noise_with_a_cusp():
    """A Gaussian blur of white noise has the covariance exp(-h^2 / (4 s^2)): the power is 2, the length 2 s."""
    rng = np.random.default_rng(17)
    places = grid(160, 160, 1.0)
    fields = [gaussian_filter(rng.standard_normal((160, 160)), 4.0, mode="wrap") for _ in range(8)]
    scale = 0.1 / np.std(fields)
    found = estimate([(places, scale * f.ravel() + 0.05 * rng.standard_normal(len(places))) for f in fields])
    assert found[3] == 2.0
    assert found[:3] == pytest.approx((0.05, 0.1, 8.0), rel=0.15)


def test_form_and_tilt_are_no_noise():
    rng = np.random.default_rng(8)
    places = grid(120, 120, 1.0)
    x, y = ((places - 60) / 60).T
    noise = [noise_field(120, 120, 1.0, 0.07, 0.07, 3.0, rng) for _ in range(6)]
    plain = estimate([(places, r) for r in noise])
    bent = estimate([(places + 1e5, r + 0.5 - 2 * x + 0.8 * x * y - 0.6 * y * y) for r in noise])
    assert bent == pytest.approx(plain, rel=1e-6)


def test_no_correlation_is_seen_where_there_is_none():
    rng = np.random.default_rng(9)
    places = grid(120, 120, 1.0)
    found = estimate([(places, 0.1 * rng.standard_normal(len(places))) for _ in range(8)])
    assert weight_of(*found, 1.0) == pytest.approx(0.01, rel=0.4)


def test_uneven_points_in_any_order():
    rng = np.random.default_rng(10)
    patches = []
    for _ in range(5):
        keep = rng.permutation(200 * 200)[:10000]
        patches.append((grid(200, 200, 0.5)[keep], noise_field(200, 200, 0.5, 0.07, 0.07, 3.0, rng)[keep]))
    found = estimate(patches)
    assert weight_of(*found, 1.0) == pytest.approx(weight_of(0.07, 0.07, 3.0, 1.0, 1.0), rel=0.25)
    turned_over = estimate([(xy[::-1], r[::-1]) for xy, r in patches])
    assert turned_over == pytest.approx(found, rel=0.02)


def test_matrix():
    p = np.array([[0.0, 0, 0], [3.0, 4, 0], [3.0, 4, 12]])
    c = matrix(p, 0.2, 0.5, 5.0)
    assert np.diag(c) == pytest.approx(0.29)
    assert c[0, 1] == pytest.approx(0.25 * np.exp(-1)) and c[0, 2] == pytest.approx(0.25 * np.exp(-13 / 5))
    assert np.array_equal(c, c.T) and np.linalg.eigvalsh(c).min() > 0


def test_propagate_is_the_sandwich():
    rng = np.random.default_rng(11)
    p, _, j = tube(300, 20, 60, 150, rng)
    want = covariance(j, matrix(p, 0.06, 0.08, 3.0))
    assert np.allclose(propagate(j, p, NoiseModel(0.06, 0.08, 3.0, 0, 0)), want, rtol=1e-9, atol=1e-18)
    white = covariance(j, 0.1)
    for lonely in ((0.1, 0.0, 3.0), (0.06, 0.08, 0.0), (0.06, 0.08, 1e-4)):
        assert np.allclose(propagate(j, p, NoiseModel(*lonely, 0, 0)), white, rtol=1e-6, atol=1e-18)


@pytest.mark.parametrize("length", [1.0, 3.0, 8.0])
@pytest.mark.parametrize("shape", ["square", "strip", "tube"])
def test_propagate_thinned_is_the_full_sum_within_a_hundredth(shape, length):
    rng = np.random.default_rng(12)
    make = {
        "square": lambda: patch(3000, 60, 50, rng),
        "strip": lambda: patch(3000, 600, 40, rng),
        "tube": lambda: tube(3000, 20, 60, 130, rng),
    }
    p, _, j = make[shape]()
    model = NoiseModel(0.07, 0.07, length, 0, 0)
    full, thinned = propagate(j, p, model, limit=10000), propagate(j, p, model)
    scale = np.sqrt(np.diag(full))
    assert np.abs((thinned - full) / np.outer(scale, scale)).max() < 0.02
    assert np.abs(np.diag(thinned) / np.diag(full) - 1).max() < 0.02
    assert np.abs(np.diag(thinned) / np.diag(full) - 1).max() > 0
    assert np.array_equal(thinned, thinned.T) and np.linalg.eigvalsh(thinned / np.outer(scale, scale)).min() > 0


def test_more_points_do_not_buy_what_hangs_together():
    model = NoiseModel(0.0, 0.1, 4.0, 0, 0)
    spread = []
    for step in (2.0, 1.0, 0.5):
        p = grid(int(60 / step), int(100 / step), step)
        j = np.column_stack([np.ones(len(p)), p - p.mean(axis=0)])
        spread.append(propagate(j, p, model)[0, 0])
    assert spread[1] == pytest.approx(spread[0], rel=0.05) and spread[2] == pytest.approx(spread[1], rel=0.05)
