"""Too few points, or ones that leave a number open, are said so; nothing comes back in silence."""

import numpy as np
import pytest

from barerail.errors import DataError
from barerail.geometry.circle import fit_circle, taubin
from barerail.geometry.covariance import estimate, propagate
from barerail.geometry.cylinder import axis_from_normals, fit_cylinder, fit_cylinder_shared
from barerail.geometry.leastsquares import covariance, inverse_normal, solve
from barerail.geometry.line import fit_line
from barerail.geometry.plane import fit_plane, fit_plane_robust
from barerail.geometry.slot import fit_slot
from barerail.records import NoiseModel
from geometry.fit_shapes import arc, patch, tube

LINE = np.outer(np.arange(20.0), [1.0, 2.0, -1.0]) + np.array([3, 4, 5])


@pytest.mark.parametrize(
    ("fit", "points", "says"),
    [
        (fit_plane, LINE[:2], "at least 3 points, got 2"),
        (fit_plane, np.zeros((0, 3)), "at least 3 points, got 0"),
        (fit_plane, LINE, "20 points: they lie on one line"),
        (fit_plane, np.ones((9, 3)), "9 points"),
        (fit_plane_robust, LINE[:2], "at least 3 points, got 2"),
        (fit_line, LINE[:1], "at least 2 points, got 1"),
        (fit_line, np.ones((9, 3)), "9 points"),
        (fit_circle, LINE[:2, :2], "at least 3 points, got 2"),
        (fit_circle, np.zeros((0, 2)), "at least 3 points, got 0"),
        (fit_circle, LINE[:, :2], "20 points: they lie on one line"),
        (fit_circle, np.ones((9, 2)), "9 points: they are all the same"),
        (taubin, LINE[:2, :2], "got 2"),
        (fit_slot, arc(4, 5, 360)[0], "at least 5 points, got 4"),
        (fit_slot, arc(40, 5, 360)[0], "40 points"),
        (fit_slot, LINE[:, :2], "20 points"),
        (fit_cylinder, LINE[:4], "needs as many points, got 4"),
        (fit_cylinder, LINE, "20 points"),
        (fit_cylinder, np.ones((9, 3)), "9 points"),
        (axis_from_normals, LINE[:1], "at least 2 normals, got 1"),
    ],
)
def test_refused_with_the_count(fit, points, says):
    with pytest.raises(DataError, match=says):
        fit(points)


def test_weights_of_zero_do_not_count_as_points():
    p = patch(30, 50, 50, np.random.default_rng(1))[0]
    with pytest.raises(DataError, match="got 2"):
        fit_plane(p, np.r_[1.0, 1.0, np.zeros(28)])


def test_a_flat_patch_is_no_cylinder():
    rng = np.random.default_rng(2)
    p = patch(200, 60, 60, rng)[0]
    with pytest.raises(DataError, match="points"):
        fit_cylinder(p)


def test_one_ring_is_no_cylinder():
    p, _, _ = tube(60, 20, 0.0, 360, np.random.default_rng(3))
    with pytest.raises(DataError, match="60 points"):
        fit_cylinder(p, start_axis=[0, 0, 1])


def test_a_sleeve_needs_both_sides():
    p = tube(60, 20, 30, 360, np.random.default_rng(4))[0]
    with pytest.raises(DataError, match="needs as many points, got 5"):
        fit_cylinder_shared(p[:5], p[:0])
    with pytest.raises(DataError, match="got 60 outside, 0 inside"):
        fit_cylinder_shared(p, p[:0])


def test_core_counts_points_against_parameters():
    with pytest.raises(DataError, match="3 parameters needs as many points, got 2"):
        solve(lambda x: np.zeros(2), lambda x: np.zeros((2, 3)), np.zeros(3))
    with pytest.raises(DataError, match="4 points leave some of the 2 parameters open"):
        inverse_normal(np.ones((4, 2)))
    with pytest.raises(DataError, match="1 points leave"):
        covariance(np.ones((1, 2)), 0.1)
    with pytest.raises(DataError, match="leave some"):
        propagate(np.ones((9, 2)), np.random.default_rng(0).random((9, 3)), NoiseModel(0.1, 0.1, 3, 0, 0))


def test_noise_needs_enough_plane():
    rng = np.random.default_rng(5)
    with pytest.raises(DataError, match="at least 300 points on faces, got 150"):
        estimate([(rng.random((150, 2)) * 20, rng.random(150)), (rng.random((99, 2)), rng.random(99))])
    with pytest.raises(DataError, match="got 0"):
        estimate([])
