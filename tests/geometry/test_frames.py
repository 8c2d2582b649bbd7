"""Frames and rigid maps."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from barerail.errors import DataError
from barerail.geometry import frames
from geometry.fit_shapes import pose

ANY = np.random.default_rng(11).standard_normal((40, 3))
DIRECTIONS = [*np.eye(3), *-np.eye(3), *ANY, [1e-9, 0, -1], [1e-200, 0, 1]]


@pytest.mark.parametrize("n", DIRECTIONS)
def test_basis_is_right_handed_with_the_normal_last(n):
    b = frames.basis(n)
    assert np.abs(b @ b.T - np.eye(3)).max() < 1e-14
    assert np.linalg.det(b) == pytest.approx(1, abs=1e-14)
    assert np.abs(b[2] - n / np.linalg.norm(n)).max() < 1e-15


def test_basis_turns_little_with_a_small_change_of_the_normal():
    rng = np.random.default_rng(5)
    for n in rng.standard_normal((200, 3)):
        n /= np.linalg.norm(n)
        if abs(n[2]) > 1e-3:
            assert np.abs(frames.basis(n + 1e-6 * rng.standard_normal(3)) - frames.basis(n)).max() < 2e-5


@pytest.mark.parametrize("a", DIRECTIONS[:12])
@pytest.mark.parametrize("b", [*DIRECTIONS[:8], [1, 1e-9, 0], [-1, 1e-9, 0]])
def test_rotation_between_is_the_least_turn(a, b):
    r = frames.rotation_between(a, b)
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    assert np.abs(r @ a - b).max() < 1e-14
    frames.check_proper(r)
    angle = np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)
    assert Rotation.from_matrix(r).magnitude() == pytest.approx(angle, abs=1e-7)


def test_a_map_and_its_inverse_leave_points_and_vectors_alone():
    rng = np.random.default_rng(2)
    turn, place = pose(rng, 5000)
    points = rng.standard_normal((50, 3))
    car_from_scan = frames.rigid(turn, place)
    there = frames.transform(car_from_scan, points)
    assert np.abs(there - (points @ turn.T + place)).max() == 0
    assert np.abs(frames.transform(frames.invert(car_from_scan), there) - points).max() < 1e-11
    assert np.abs(there[1] - there[0] - frames.direction(car_from_scan, points[1] - points[0])).max() < 1e-11


def test_mirror_is_its_own_inverse_and_keeps_its_plane():
    n, d = np.array([1.0, 2.0, -0.5]), 812.5
    m = frames.mirror(n, d)
    assert np.abs(m @ m - np.eye(4)).max() < 1e-12
    u = n / np.linalg.norm(n)
    on_plane = d * u + np.cross(u, [3.0, -7.0, 40.0])
    assert np.abs(frames.transform(m, on_plane) - on_plane).max() < 1e-12
    assert np.abs(frames.transform(m, on_plane + 5 * u) - (on_plane - 5 * u)).max() < 1e-12


def test_check_proper_names_a_mirror_and_a_stretch():
    with pytest.raises(DataError, match="mirror"):
        frames.check_proper(frames.mirror([0, 1, 0], 0))
    with pytest.raises(DataError, match="stretches"):
        frames.check_proper(np.diag([1.001, 1, 1, 1]))
    good = frames.rigid(np.eye(3))
    assert frames.check_proper(good) is good


def test_no_length_no_direction():
    with pytest.raises(DataError, match="length"):
        frames.unit([0, 0, 0])
    with pytest.raises(DataError, match="length"):
        frames.basis([np.nan, 0, 1])


def test_best_fit_rigid_is_exact_without_noise_far_away():
    rng = np.random.default_rng(8)
    turn, place = pose(rng, 1e6)
    a = rng.uniform(-1000, 1000, (30, 3))
    t = frames.best_fit_rigid(a, a @ turn.T + place)
    assert np.abs(t[:3, :3] - turn).max() < 1e-12
    assert np.abs(t[:3, 3] - place).max() < 1e-8


def test_best_fit_rigid_never_mirrors():
    rng = np.random.default_rng(9)
    a = rng.uniform(-1000, 1000, (30, 3))
    t = frames.best_fit_rigid(a, frames.transform(frames.mirror([0, 1, 0], 3), a))
    frames.check_proper(t)
    assert np.linalg.norm(frames.transform(t, a) - frames.transform(frames.mirror([0, 1, 0], 3), a)) > 1000


def test_best_fit_rigid_of_a_flat_set_is_proper():
    rng = np.random.default_rng(10)
    turn, place = pose(rng, 100)
    a = np.column_stack([rng.uniform(-50, 50, (6, 2)), np.zeros(6)])
    t = frames.best_fit_rigid(a, a @ turn.T + place)
    assert np.abs(t - frames.rigid(turn, place)).max() < 1e-12


def test_best_fit_rigid_weights_count():
    rng = np.random.default_rng(12)
    turn, place = pose(rng, 100)
    a = rng.uniform(-50, 50, (20, 3))
    b = a @ turn.T + place
    b[:5] += 40
    t = frames.best_fit_rigid(a, b, np.r_[np.zeros(5), np.ones(15)])
    assert np.abs(t - frames.rigid(turn, place)).max() < 1e-12


@pytest.mark.parametrize(
    ("points", "says"),
    [(np.eye(3)[:2], "at least 3 point pairs, got 2"), (np.outer(np.arange(5), [1, 2, 3]), "5 point pairs")],
)
def test_best_fit_rigid_refuses_what_leaves_a_turn_open(points, says):
    with pytest.raises(DataError, match=says):
        frames.best_fit_rigid(points, points)
