"""Level lines, surfaces cut by a plane and lines at a distance, against shapes whose sections are known."""

import numpy as np
import pytest
import trimesh

from barerail.geometry.contour import area_of, chains, level_lines, simplified
from barerail.geometry.cutting import cut_cloud, cut_mesh, outward


def test_a_disc_and_its_hole_are_closed_lines_of_their_areas():
    x = np.arange(-12, 12.01, 0.25)
    r = np.hypot(*np.meshgrid(x, x, indexing="ij"))
    lines = level_lines(np.minimum(9.3 - r, r - 4.1), 0.0, np.array([-12.0, -12.0]), 0.25)
    assert all(np.array_equal(line[0], line[-1]) for line in lines)
    assert sorted(map(area_of, lines)) == pytest.approx([-np.pi * 4.1**2, np.pi * 9.3**2], rel=2e-3)


def test_a_level_line_across_the_grid_is_open_and_straight():
    field = np.tile(np.arange(6.0)[:, None], (1, 5))
    (line,) = level_lines(field, 2.25, np.array([10.0, 20.0]), 2.0)
    np.testing.assert_allclose(line[:, 0], 14.5)
    assert np.ptp(line[:, 1]) == 8.0


def test_chains_take_each_pair_once():
    found = chains(np.array([(3, 4), (1, 2), (2, 3), (9, 8), (8, 7), (7, 9)]))
    assert sorted(line.tolist() for line in found) == [[1, 2, 3, 4], [9, 8, 7, 9]]


def test_simplified_stays_within_its_tolerance():
    turn = np.linspace(0, 2 * np.pi, 400)
    ring = 50 * np.column_stack([np.cos(turn), np.sin(turn)])
    ring[-1] = ring[0]
    few = simplified(ring, 0.1)
    assert 50 <= len(few) < 70 and np.array_equal(few[0], few[-1])
    # chords with a sagitta of 0.1 mm on a radius of 50 mm: at least 50 of them
    middles = (few[1:] + few[:-1]) / 2
    assert np.hypot(*middles.T).min() > 50 - 0.1 - 1e-3


def box(size: tuple[float, float, float]) -> trimesh.Trimesh:
    return trimesh.creation.box(size).subdivide().subdivide()


def test_a_box_is_cut_exactly_with_outside_on_the_right():
    made = box((60.0, 100.0, 400.0))
    moved = made.vertices + np.array([7.0, -3.0, 12.3])
    (line,) = cut_mesh(moved, np.asarray(made.faces))
    assert np.array_equal(line[0], line[-1])
    assert area_of(line) == pytest.approx(6000.0, rel=1e-12)  # counter-clockwise, so outside is on the right
    assert sorted(np.ptp(line, axis=0)) == pytest.approx([60.0, 100.0], abs=1e-9)


def test_a_corner_in_the_plane_does_not_break_the_line():
    made = box((40.0, 40.0, 40.0))
    assert np.any(made.vertices[:, 2] == 0)
    (line,) = cut_mesh(np.asarray(made.vertices), np.asarray(made.faces))
    assert area_of(line) == pytest.approx(1600.0, abs=1e-6)


def tube(radius: float, count: int, noise: float, lean: float) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(5)
    turn, z = rng.uniform(0, 2 * np.pi, count), rng.uniform(-30, 30, count)
    normal = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
    points = normal * (radius + rng.normal(0, noise, (count, 1))) + np.outer(z, (0, 0, 1))
    tilt = trimesh.transformations.rotation_matrix(lean, (1, 0, 0))[:3, :3]
    return points @ tilt.T, normal @ tilt.T


@pytest.mark.parametrize("lean", [0.0, 0.6])
def test_a_tube_of_points_is_cut_as_the_ellipse_it_is(lean):
    points, normals = tube(25.0, 8000, 0.1, lean)
    spacing = np.sqrt(2 * np.pi * 25 * 60 / 8000)
    lines = cut_cloud(points, normals, spacing)
    line = max(lines, key=len)
    round_again = line * (1.0, np.cos(lean))  # a tube cut askew is longer by 1 / cos
    off = np.hypot(*round_again.T) - 25.0
    assert abs(off.mean()) < 0.03 and 0.005 < off.std() < 0.1
    assert np.array_equal(line[0], line[-1]) and area_of(line) == pytest.approx(np.pi * 625 / np.cos(lean), rel=0.01)


def test_both_sides_of_thin_sheet_stay_apart():
    x, z = (v.ravel() for v in np.meshgrid(np.arange(0, 60, 0.7), np.arange(-5, 5, 0.7)))
    top = np.column_stack([x, np.full(len(x), 1.5), z])
    points = np.vstack([top, top * (1, -1, 1)])
    normals = np.repeat([(0.0, 1, 0), (0.0, -1, 0)], len(x), axis=0)
    lines = cut_cloud(points, normals, 0.7)
    assert len(lines) == 2
    assert sorted(float(np.round(line[:, 1].mean(), 9)) for line in lines) == [-1.5, 1.5]
    assert all(np.ptp(line[:, 1]) < 1e-9 for line in lines)


@pytest.mark.parametrize("gap", [3.0, 0.5])
def test_a_gap_about_a_box_section_is_parallel_with_round_corners(gap):
    made = box((60.0, 100.0, 400.0))
    lines = cut_mesh(made.vertices + np.array([0, 0, 1.0]), np.asarray(made.faces))
    (away,) = outward(lines, gap)
    expected = 6000 + 2 * (60 + 100) * gap + np.pi * gap**2
    assert area_of(away) == pytest.approx(expected, rel=1e-3) and np.array_equal(away[0], away[-1])
    beyond = np.maximum(np.abs(away) - (30.0, 50.0), 0)
    assert np.hypot(*beyond.T) == pytest.approx(gap, abs=1e-6)


def test_a_gap_in_an_inner_corner_keeps_its_distance_from_both_sides():
    corner = np.array([(0.0, 100.0), (0.0, 0.0), (100.0, 0.0)])[::-1]
    (away,) = outward([corner], 3.0)
    assert away.min() == pytest.approx(3.0, abs=0.05)


def test_a_gap_never_comes_nearer_to_the_part_next_door():
    one = np.array([(0.0, 0), (50, 0)])
    other = np.array([(50.0, -8), (0, -8)])
    lines = outward([one, other], 3.0)
    distance = np.minimum(*(np.abs(np.vstack(lines)[:, 1] - y) for y in (0.0, -8.0)))
    assert distance.min() > 3.0 - 0.01
    assert outward([one, other[:, :] + (0, 4.0)], 3.0) == []
