"""A sleeve's outside and bore on one axis, in a fused mesh, on bare skin of a bore. The truth is the construction, the
weighted mean of two places with covariances least squares'."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from barerail.records import Feature, NoiseModel
from barerail.stages.fit.mesh_bores import MOUTH, NARROWED, OFF_CENTRE, on_one_axis

VOXEL, RADIUS, LENGTH, U = 2.0, 10.0, 60.0, 0.06
QUIET = NoiseModel(1e-3, 0.0, 1.0, 0.0, 0.0)


def bore_of(off: float, turns: float = 1.0, narrowed: float = 0.4, low: float = -30.0):
    """A mesh that holds nothing but the skin of a bore about (off, 0): from `low` to its upper end and `turns` of the
    way round, its mouths narrower."""
    z, about = np.meshgrid(np.arange(low, 30.1, 2.0), np.linspace(0, 2 * np.pi * turns, 32, endpoint=False))
    radius = RADIUS - narrowed * (np.abs(z) > LENGTH / 2 - MOUTH * VOXEL)
    way = np.stack([np.cos(about), np.sin(about), 0 * about], axis=-1).reshape(-1, 3)
    points = radius.reshape(-1, 1) * way + np.column_stack([np.full(z.size, off), np.zeros(z.size), z.ravel()])
    surface = SimpleNamespace(points=points, normals=-way)
    return SimpleNamespace(
        surface=surface, tree=cKDTree(points), points=lambda cells: points[cells], voxel_mm=VOXEL, mesh=True
    )


def tube(radius: float) -> Feature:
    axis = np.array([0.0, 0.0, 1.0])
    return Feature(
        "tube",
        np.zeros(3),
        axis,
        2 * radius,
        LENGTH,
        U**2 * np.eye(3),
        1e-6 * np.eye(3),
        0.1,
        1.0,
        360,
        500,
        0.1,
        ends=np.outer([-LENGTH / 2, LENGTH / 2], axis),
    )


def test_the_axis_is_the_weighted_mean_of_both_and_the_width_that_past_the_mouths():
    outside, bore = on_one_axis(tube(18.0), tube(9.7), bore_of(0.1), QUIET)
    weight = U**2 / (U**2 + (OFF_CENTRE * VOXEL) ** 2)
    np.testing.assert_allclose(outside.point, [0.1 * weight, 0, 0], atol=1e-4)
    np.testing.assert_allclose(outside.ends.mean(axis=0), outside.point)
    assert np.sqrt(outside.cov[0, 0]) == pytest.approx(np.sqrt(1 - weight) * U, rel=0.01)
    assert np.sqrt(outside.cov[2, 2]) == pytest.approx(U)
    assert bore.diameter == pytest.approx(2 * RADIUS, abs=0.01)


def test_a_bore_seen_from_one_side_alone_says_less_of_where_that_side_is_not():
    outside, _ = on_one_axis(tube(18.0), tube(9.7), bore_of(0.0, turns=0.45), QUIET)
    assert U / np.sqrt(2) < np.sqrt(outside.cov[0, 0]) < np.sqrt(outside.cov[1, 1]) < U


def test_a_bore_off_the_outside_s_axis_does_not_draw_it_and_widens_its_u():
    outside, _ = on_one_axis(tube(18.0), tube(9.7), bore_of(1.0), QUIET)
    np.testing.assert_array_equal(outside.point, 0.0)
    assert np.sqrt(outside.cov[0, 0]) == pytest.approx(np.hypot(U, 0.5), rel=0.01)


@pytest.mark.parametrize("cloud", [bore_of(0.0, turns=0.2), bore_of(0.0, turns=0.01)])
def test_a_bore_hardly_seen_past_its_mouths_is_as_it_was_with_them_in_its_u(cloud):
    outside, bore = on_one_axis(tube(18.0), tube(9.7), cloud, QUIET)
    np.testing.assert_array_equal(outside.cov, tube(18.0).cov)
    assert bore.diameter == 19.4 and bore.u_diameter == pytest.approx(np.hypot(0.1, NARROWED * VOXEL))


@pytest.mark.parametrize(("off", "turns"), [(0.15, 0.4), (0.3, 0.4), (1.0, 0.4), (1.0, 1.0)])
def test_the_width_of_a_bore_off_the_outside_s_axis_is_within_its_u_however_little_is_seen_round(off, turns):
    _, bore = on_one_axis(tube(18.0), tube(9.7), bore_of(off, turns), QUIET)
    centred = on_one_axis(tube(18.0), tube(9.7), bore_of(0.0, turns), QUIET)[1].u_diameter
    assert abs(bore.diameter - 2 * RADIUS) <= 2 * np.sqrt(max(bore.u_diameter**2 - centred**2, 0.0)) + 0.01


def test_of_a_bore_seen_near_one_end_alone_the_outside_s_direction_is_in_the_u():
    """Seen 11 mm from the middle, where the outside's axis is open by as much times its direction's U."""
    leaning = replace(tube(18.0), cov_axis=np.radians(1.0) ** 2 * np.eye(3))
    seen = on_one_axis(leaning, tube(9.7), bore_of(0.0, low=0.0), QUIET)[0]
    bore = (OFF_CENTRE * VOXEL) ** 2 + (11.0 * np.radians(1.0)) ** 2
    assert np.sqrt(seen.cov[0, 0]) == pytest.approx(1 / np.sqrt(1 / U**2 + 1 / bore), rel=0.02)
