"""Rims in meshes whose true rim is known in closed form: round, worn on one side, slotted, half seen. No source."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from barerail.geometry.mesh_rim import fit_mesh_rim, further_down
from barerail.geometry.rim import circle, stadium

VOXEL = 2.4
PLACE = np.array([1.3, -0.8])


def holed(
    half: float = 0.0,
    radius: float = 8.0,
    worn: float = 0.0,
    turn: tuple[float, float] = (0.0, 360.0),
    rounding: float = 0.4,
    filled: float = 0.0,
    shut: float = 0.0,
):
    """Corners and triangles of a plate with a hole: its edge rounded over `rounding` mm, its wall upright below, but by
    -x, where it is filled by `filled` mm a mm of depth, and within 50 degrees of -x by `shut` mm at any depth; `worn`
    mm of the edge gone within 40 degrees of the x axis, down to 1.5 mm; `half`: half length of a slot along x; seen
    over `turn`."""
    angles = np.radians(np.linspace(*turn, 181))
    bow = np.linspace(0, np.pi / 2, 6)
    profile = [
        (20.0, 0.0),
        *zip(rounding * (1 - np.sin(bow)), -rounding * (1 - np.cos(bow))),
        *((0.0, -rounding - z) for z in (0.6, 1.1, 3.0)),
    ]
    rings = []
    for out, z in profile:
        wear = worn * (np.abs(np.angle(np.exp(1j * angles))) < np.radians(40)) * (z > -1.5)
        reach = radius + np.maximum(out, wear) + filled * z * np.maximum(-np.cos(angles), 0.0)
        reach = reach - shut * (np.cos(angles) < -np.cos(np.radians(50)))
        x = reach * np.cos(angles) + half * np.sign(np.round(np.cos(angles), 9))
        rings.append(np.column_stack([x + PLACE[0], reach * np.sin(angles) + PLACE[1], np.full(len(angles), z)]))
    n = len(angles)
    a = (np.arange(len(profile) - 1)[:, None] * n + np.arange(n - 1)).ravel()
    return np.concatenate(rings), np.concatenate([np.c_[a, a + 1, a + n], np.c_[a + 1, a + n + 1, a + n]])


def test_a_round_hole_is_found_from_a_start_off_its_place():
    rim = fit_mesh_rim(*holed(), np.array([0.6, 0.1, 9.0]), VOXEL, circle)
    assert rim is not None
    np.testing.assert_allclose(rim.mean, [*PLACE, 8.0], atol=0.01)


def test_an_edge_worn_on_one_side_does_not_pull_the_place_as_least_squares_would():
    points, triangles = holed(worn=2.0)
    rim = fit_mesh_rim(points, triangles, np.array([1.5, -0.5, 8.5]), VOXEL, circle)
    assert rim is not None
    assert np.hypot(*(rim.mean[:2] - PLACE)) < 0.15
    edge = points[np.isclose(points[:, 2], -1.0)][:, :2]
    plain = least_squares(lambda p: circle(p[None], edge)[0], [*PLACE, 8.0]).x
    assert plain[0] - PLACE[0] > 0.5


def test_a_slot_is_found_with_its_direction():
    rim = fit_mesh_rim(*holed(half=6.0, radius=6.5), np.array([1.0, -1.0, 0.05, 5.5, 7.0]), VOXEL, stadium)
    assert rim is not None
    np.testing.assert_allclose(rim.mean, [*PLACE, 0.0, 6.0, 6.5], atol=VOXEL / 80)


@pytest.mark.parametrize("seen", [180.0, 200.0])
def test_half_a_rim_is_none(seen):
    assert fit_mesh_rim(*holed(turn=(0.0, seen)), np.array([*PLACE, 8.0]), VOXEL, circle) is None


def test_a_plate_without_a_hole_has_no_rim():
    x, y = np.meshgrid(np.linspace(-15, 15, 31), np.linspace(-15, 15, 31), indexing="ij")
    a = (np.arange(30)[:, None] * 31 + np.arange(30)).ravel()
    triangles = np.concatenate([np.c_[a, a + 31, a + 1], np.c_[a + 1, a + 31, a + 32]])
    assert (
        fit_mesh_rim(
            np.column_stack([x.ravel(), y.ravel(), 0 * x.ravel()]), triangles, np.array([0, 0, 6.0]), VOXEL, circle
        )
        is None
    )


def looked_down(thickness: float = np.inf, **about: float):
    """The rim of a hole of 8 mm radius with its edge rounded over 1.5 mm, before and after a look further down; in a
    sheet of that thickness."""
    points, triangles = holed(rounding=1.5, **about)
    rim = fit_mesh_rim(points, triangles, np.array([*PLACE, 8.5]), VOXEL, circle)
    assert rim is not None
    return rim, further_down(points, triangles, rim, VOXEL, circle, thickness)


def test_a_wall_seen_all_round_is_the_hole_itself():
    rim, wall = looked_down()
    assert rim.mean[2] - 8.0 > 0.1 and wall.upright
    np.testing.assert_allclose(wall.mean, [*PLACE, 8.0], atol=0.01)


def test_a_wall_filled_on_one_side_says_nothing():
    rim, wall = looked_down(filled=1.0)
    assert not wall.upright
    np.testing.assert_array_equal(wall.mean, rim.mean)


def test_in_sheet_what_no_frame_cleared_does_not_pull_the_place_and_the_size_is_the_rims():
    rim, lower = looked_down(thickness=6.0, shut=2.0)
    assert np.hypot(*(rim.mean[:2] - PLACE)) > 0.5
    assert np.hypot(*(lower.mean[:2] - PLACE)) < 0.3 * np.hypot(*(rim.mean[:2] - PLACE))
    assert lower.mean[2] == rim.mean[2] and not lower.upright


def test_a_sheet_too_thin_to_look_down_keeps_its_rim():
    rim, lower = looked_down(thickness=1.4 * VOXEL, filled=1.0)
    np.testing.assert_array_equal(lower.mean, rim.mean)


def test_in_sheet_a_wall_beyond_a_gap_in_the_rim_does_not_draw_it_there():
    """Four millimetres outside a rim that a sixth of the circle lacks stands another wall."""
    points, triangles = holed(turn=(0.0, 300.0))
    angles = np.radians(np.linspace(302, 358, 30))
    wall = np.concatenate(
        [np.c_[PLACE + 12.0 * np.c_[np.cos(angles), np.sin(angles)], np.full(30, z)] for z in (0, -5)]
    )
    a = len(points) + np.arange(29)
    triangles = np.concatenate([triangles, np.c_[a, a + 1, a + 30], np.c_[a + 1, a + 31, a + 30]])
    points = np.concatenate([points, wall])
    rim = fit_mesh_rim(points, triangles, np.array([*PLACE, 8.5]), VOXEL, circle)
    lower = further_down(points, triangles, rim, VOXEL, circle, 6.0)
    assert np.hypot(*(lower.mean[:2] - PLACE)) < 0.3
