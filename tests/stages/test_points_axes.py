"""Axes, faces that lead, and rails of points: one row each, alike on both sides."""

from dataclasses import replace

import numpy as np
import pytest
from placed_case import RAILS, by_feature, run
from points_case import (
    FORE,
    LEFT,
    UP,
    chassis,
    feature,
    mirrored,
    rail,
)


def test_axes_without_a_side_point_along_their_largest_component_and_the_right_one_mirrors_the_left():
    slant = np.array([0.3, -0.8, -0.2]) / np.linalg.norm([0.3, -0.8, -0.2])
    left = feature("sleeve", (500, 400, 300), slant, 20, 60)
    made = by_feature(run([left, replace(mirrored(left), axis=-mirrored(left).axis)]))
    assert np.allclose(made[0].axis, -slant, rtol=0, atol=1e-12)
    assert np.allclose(made[1].axis, -slant * [1, -1, 1], rtol=0, atol=1e-12)
    lone = by_feature(run([mirrored(left)]))[0]
    assert lone.axis[1] > 0


def test_an_axis_at_45_degrees_keeps_its_direction_under_noise():
    for turn in (-1e-3, 1e-3):
        axis = np.array([np.cos(np.pi / 4 + turn), -np.sin(np.pi / 4 + turn), 0.0])
        assert by_feature(run([feature("tube", (500, 400, 300), axis, 38, 300)]))[0].axis[0] > 0


@pytest.mark.parametrize(
    ("y", "axis", "word"),
    [
        (400, FORE, "fore"), (400, -FORE, "aft"), (400, UP, "up"), (400, -UP, "down"),
        (400, LEFT, "outboard"), (400, -LEFT, "inboard"), (-400, LEFT, "inboard"), (-400, -LEFT, "outboard"),
        (3, LEFT, ""), (3, UP, "up"),
    ],
)  # fmt: skip
def test_the_face_word_tells_which_way_a_hole_looks(y, axis, word):
    assert run([feature("hole", (500, y, 300), axis, 12)]).points[0].face == word


@pytest.mark.parametrize(("normal", "leads"), [(-UP, UP), (LEFT, LEFT), (-LEFT, LEFT), (-FORE, FORE)])
@pytest.mark.parametrize("side", [1, -1])
def test_of_two_faces_seen_the_forward_left_or_upper_one_leads_on_either_side(normal, leads, side):
    at = np.array([500.0, side * 400.0, 300.0])
    f = feature("hole", at, normal, 12, 4.0, ends=np.array([at, at - 4.0 * normal]))
    p = run([f]).points[0]
    assert np.allclose(p.axis, leads, rtol=0, atol=1e-12)
    lead_at = at if np.array_equal(normal, leads) else at - 4.0 * normal
    assert np.allclose(p.position, lead_at, rtol=0, atol=1e-9)


def test_a_sheet_hole_is_compared_at_the_same_face_on_both_sides():
    at = np.array([500.0, 400.0, 300.0])
    through = feature("hole", at, LEFT, 12, 4.0, ends=np.array([at, at - 4.0 * LEFT]))
    (pair,) = run([through, mirrored(through)]).pairs
    assert np.allclose(pair.difference, 0, rtol=0, atol=1e-9)
    one_face = feature("hole", at, LEFT, 12)
    (pair,) = run([one_face, mirrored(through)]).pairs
    assert np.allclose(pair.difference, 0, rtol=0, atol=1e-9)
    inner = feature("hole", at * [1, -1, 1] + 4.0 * LEFT, LEFT, 12)
    made = run([one_face, inner])
    assert made.pairs[0].difference[1] == pytest.approx(-4.0) and np.sqrt(made.pairs[0].cov[1, 1]) > 4.0
    assert "opposite face" in made.points[0].note


def test_the_rims_a_bracket_is_built_from_are_no_rows_of_their_own():
    rims = [feature("hole", (x, 268, 372), FORE, 12.5) for x in (2141, 2181)]
    bracket = feature("bolt-axis", (2161, 268, 372), FORE, 12.5, 40, members=(0, 1))
    made = run([*rims, bracket])
    assert [(p.kind, p.feature) for p in made.points] == [("bolt-axis", 2)]
    assert any(n.count == 2 for n in made.notes)


def test_a_rail_is_one_row_at_its_middle_station_with_width_and_height():
    made = run(chassis(), RAILS)
    rails = {p.side: p for p in made.points if p.kind == "rail"}
    assert set(rails) == {"L", "R"} and rails["L"].partner == rails["R"].name
    p = rails["L"]
    assert np.allclose(p.position, [300, 430, 330], rtol=0, atol=1e-9) and (p.diameter, p.length) == (60.0, 100.0)
    assert np.sqrt(p.cov_local[0, 0]) > 500 and np.allclose(np.sqrt(np.diag(p.cov_local)[1:]), [0.03, 0.04], rtol=1e-6)
    turned = replace(
        RAILS[0],
        stations=tuple(
            replace(s, axes=s.axes[[0, 2, 1]] * [[1], [1], [-1]], size=s.size[::-1]) for s in RAILS[0].stations
        ),
    )
    (again,) = [p for p in run([], [turned]).points]
    assert (again.diameter, again.length) == (60.0, 100.0)


def cut_rail(y: float, low: float, high: float, phase: float = 0.0):
    """A rail's stations from low to high, `phase` mm further on."""
    stations = [s for s in rail(y).stations if low <= s.centre[0] <= high]
    return replace(RAILS[0], stations=tuple(replace(s, centre=s.centre + np.array([phase, 0, 0])) for s in stations))


@pytest.mark.parametrize("phase", [0.0, 30.0, -45.0, 50.0])
def test_both_rails_of_a_pair_have_their_point_at_one_x_nearest_the_middle_of_what_both_show(phase):
    """The left rail seen from -600 to 1300, the right one from 100 to 1300: both show 100 to 1300, middle 700."""
    left, right = cut_rail(430.0, -600, 1300), cut_rail(-430.5, 100, 1300, phase)
    made = run(chassis(), (left, right))
    one, other = (next(p for p in made.points if p.kind == "rail" and p.side == side) for side in "LR")
    assert one.partner == other.name and one.position[0] == pytest.approx(other.position[0], abs=1e-9)
    assert abs(one.position[0] - 700 - phase / 2) <= 51 + abs(phase) / 2
    assert other.position == pytest.approx(one.position * [1, -1, 1] - [0, 0.5, 0], abs=1e-9)
    pair = next(p for p in made.pairs if p.left == one.name)
    assert pair.difference == pytest.approx([0, 0.5, 0], abs=1e-9)
    back = run(chassis(), (right, left))
    assert {p.name: p.position.tolist() for p in back.points} == {p.name: p.position.tolist() for p in made.points}


def test_a_rail_is_read_between_its_stations_along_its_own_axis_and_no_further_than_its_slice():
    """Stations that lie 50 mm apart on either side are both read 25 mm off; what no station is near stays its own."""
    axis = np.array([1.0, 0.02, 0.0]) / np.linalg.norm([1.0, 0.02, 0.0])
    lean = np.array([axis, np.cross([0, 0, 1.0], axis), [0, 0, 1.0]])
    left = replace(
        RAILS[0],
        stations=tuple(
            replace(s, axes=lean, centre=s.centre + s.centre[0] * np.array([0, 0.02, 0])) for s in RAILS[0].stations
        ),
    )
    made = run([], (left, cut_rail(-430.0, -600, 1300, 50.0)))
    one, other = (next(p for p in made.points if p.side == side) for side in "LR")
    assert one.position[0] == pytest.approx(other.position[0], abs=1e-9) and one.position[0] % 50 == pytest.approx(25)
    assert one.position[1] == pytest.approx(430 + 0.02 * one.position[0], abs=1e-6)
    sparse = replace(RAILS[1], stations=tuple(s for s in RAILS[1].stations if s.centre[0] % 200 == 0))
    away = replace(left, stations=tuple(s for s in RAILS[0].stations if s.centre[0] % 200 == 100))
    for p in run([], (away, sparse)).points:
        assert p.position[0] / 100 == pytest.approx(round(p.position[0] / 100), abs=1e-9)
