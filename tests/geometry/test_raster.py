"""Empty discs and the cover of rings, on point sets whose holes are known."""

import numpy as np
import pytest

from barerail.geometry.raster import cover, empty_discs, seen_arc, widest_gap

SPACING, CELL = 1.5, 0.75


def sheet(holes, seed=100, size=80.0):
    """Even random points (n, 2) on a square, none inside the discs (x, y, r)."""
    xy = np.random.default_rng(seed).uniform(0, size, (int((size / SPACING) ** 2 * 2), 2))
    inside = [np.hypot(xy[:, 0] - x, xy[:, 1] - y) < r for x, y, r in holes]
    return xy[~np.any(inside, axis=0)] if holes else xy


def within(discs, size=80.0):
    """Discs that lie on the sheet: past its border all is empty too."""
    return discs[((discs[:, :2] > discs[:, 2:]) & (discs[:, :2] < size - discs[:, 2:])).all(axis=1)]


def test_the_largest_discs_are_the_holes():
    holes = [(25.0, 30.0, 9.0), (60.0, 20.0, 6.0), (55.0, 62.0, 7.5)]
    found = within(empty_discs(sheet(holes), CELL, 4.0, 30.0))
    assert len(found) == 3
    for x, y, r in holes:
        near = np.hypot(found[:, 0] - x, found[:, 1] - y)
        disc = found[np.argmin(near)]
        assert near.min() < SPACING
        # the empty place is the hole and what lies between its rim and the nearest points
        assert r - CELL < disc[2] < r + SPACING


def test_a_disc_reaches_to_the_nearest_point():
    xy = sheet([(40.0, 40.0, 10.0)], seed=101)
    for x, y, r in empty_discs(xy, CELL, 2.0, 30.0):
        nearest = np.hypot(xy[:, 0] - x, xy[:, 1] - y).min()
        assert abs(nearest - r) <= CELL * np.sqrt(0.5) + 1e-9


def test_no_disc_lies_in_a_larger_one_and_the_largest_comes_first():
    found = empty_discs(sheet([(30.0, 40.0, 9.0), (52.0, 40.0, 5.0)], seed=102), CELL, 1.5, 30.0)
    assert len(found) > 5 and (np.diff(found[:, 2]) <= 0).all()
    for i, disc in enumerate(found):
        apart = np.hypot(*(found[:i, :2] - disc[:2]).T)
        assert (apart > found[:i, 2]).all()


def test_too_small_and_too_large_places_are_left_out():
    xy = sheet([(25.0, 40.0, 12.0), (60.0, 40.0, 4.5)], seed=103)
    found = empty_discs(xy, CELL, 4.0, 8.0)
    assert ((found[:, 2] >= 4.0) & (found[:, 2] <= 8.0)).all()
    assert np.hypot(*(found[:, :2] - [60.0, 40.0]).T).min() < SPACING
    assert len(within(empty_discs(sheet([], seed=104), CELL, 4.0, 30.0))) == 0


def test_discs_move_with_the_points():
    xy = sheet([(30.0, 40.0, 9.0)], seed=105)
    one, two = empty_discs(xy, 0.75, 4.0, 30.0), empty_discs(xy + np.array([3e4, -6e4]), 0.75, 4.0, 30.0)
    np.testing.assert_allclose(two - [3e4, -6e4, 0], one, rtol=0, atol=1e-6)


@pytest.mark.parametrize(("degrees", "share"), [(360, 1.0), (180, 0.5), (90, 0.25), (15, 1 / 24)])
def test_cover_is_the_share_of_directions_seen(degrees, share):
    turn = np.radians(np.arange(0.5, degrees, 1.0))
    ring = 5.0 * np.column_stack([np.cos(turn), np.sin(turn)]) + [100.0, -7.0]
    assert cover(ring, np.array([100.0, -7.0]), 4.5, 5.5) == pytest.approx(share)
    assert cover(ring, np.array([100.0, -7.0]), 5.1, 9.0) == 0.0


@pytest.mark.parametrize("open_deg", [30.0, 90.0, 200.0])
def test_the_widest_gap_is_the_open_angle(open_deg):
    turn = np.radians(np.linspace(open_deg / 2, 360 - open_deg / 2, 400))
    ring = 5.0 * np.column_stack([np.cos(turn), np.sin(turn)]) + [3.0, -2.0]
    assert widest_gap(ring, np.array([3.0, -2.0]), 4.5, 5.5) == pytest.approx(open_deg, abs=1e-6)
    assert widest_gap(ring, np.array([3.0, -2.0]), 6.0, 7.0) == 360.0


@pytest.mark.parametrize(("degrees", "seen"), [(360, 360.0), (200, 195.0)])
def test_the_arc_seen_leaves_out_what_neighbours_further_apart_leave_open(degrees, seen):
    """Rings of a mesh whose points all have the same places round them, 15 degrees apart."""
    turn = np.radians(np.repeat(np.arange(0.0, degrees, 15.0), 7))
    ring = 4.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    assert seen_arc(ring, 15.1) == pytest.approx(seen)
    assert seen_arc(ring, 14.9) == pytest.approx(0.0, abs=1e-9)
