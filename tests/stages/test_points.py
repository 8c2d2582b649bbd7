"""Points: car axes, sides, partners and order."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from placed_case import RAILS, SETTINGS, by_feature, run
from points_case import (
    FORE,
    LEFT,
    POSE,
    UP,
    a_datum,
    chassis,
    feature,
    left_side,
    middle,
    mirrored,
    row,
    scanned,
    shaken,
)

from barerail.geometry.frames import from_rotation_vector, mirror, rigid
from barerail.records import MountPoints
from barerail.stages.points import points


def partners(made: MountPoints) -> set[tuple[int, int]]:
    """Pairs as (left, right) rows of Features.found."""
    row_of = {p.name: p.feature for p in made.points}
    return {(row_of[p.left], row_of[p.right]) for p in made.pairs}


def test_every_feature_stands_where_it_was_put_whatever_the_pose_of_the_scan():
    other = rigid(from_rotation_vector([-2.0, 0.3, 0.7]), [-4000.0, 900.0, 77.0])
    for pose in (POSE, other):
        made = by_feature(run(chassis(), RAILS, pose))
        assert len(made) == len(chassis())
        for i, f in enumerate(chassis()):
            assert np.allclose(made[i].position, f.point, rtol=0, atol=1e-9)
            assert np.allclose(made[i].cov_local, f.cov, rtol=0, atol=1e-12)
            assert (made[i].kind, made[i].diameter) == (f.kind, f.diameter)
            if f.kind in ("hole", "slot", "stud"):
                assert np.allclose(made[i].axis, f.axis, rtol=0, atol=1e-12)
    slot = next(p for p in made.values() if p.kind == "slot")
    assert np.allclose(slot.along, FORE, rtol=0, atol=1e-12)


def test_partners_are_the_mirror_images_mutual_and_unique():
    n = len(left_side())
    made = run(shaken(chassis(), 0.5, 1))
    assert partners(made) == {(i, n + i) for i in range(n)}
    for p in made.points:
        mate = next((q for q in made.points if q.name == p.partner), None)
        assert (mate is None) == (p.partner == "")
        if mate:
            assert mate.partner == p.name and {p.side, mate.side} == {"L", "R"}
            assert p.name[:-2] == mate.name[:-2] and p.name[-1] == p.side


def test_a_pair_difference_is_the_mirrored_right_less_the_left():
    left = feature("hole", (500, 400, 300), UP, 12)
    right = replace(mirrored(left), point=np.array([501.5, -402.0, 299.0]))
    (pair,) = run([left, right]).pairs
    assert np.allclose(pair.difference, [1.5, 2.0, -1.0], rtol=0, atol=1e-9)


def test_mirroring_the_car_swaps_left_and_right():
    found = shaken(chassis(), 0.5, 2)
    one, two = run(found, RAILS), run([mirrored(f) for f in found], RAILS)
    assert {(b, a) for a, b in partners(one)} == partners(two)
    swap = {"L": "R", "R": "L", "C": "C"}
    for i, p in by_feature(one).items():
        q = by_feature(two)[i]
        assert q.side == swap[p.side] and q.face == p.face
        assert np.allclose(q.position, p.position * [1, -1, 1], rtol=0, atol=1e-9)
        assert q.name[:-1] == p.name[:-1]
    differences = {p.left[:-2]: p.difference for p in one.pairs}
    for pair in two.pairs:
        assert np.allclose(pair.difference, -differences[pair.left[:-2]], rtol=0, atol=1e-9)


def test_a_mirror_as_car_from_scan_moves_points_to_the_other_side():
    """What a swapped axis would do is seen, not hidden: the stage follows the frame it is given."""
    pose = mirror(LEFT, 0.0) @ POSE
    made = points(scanned(chassis()), a_datum(pose), (), SETTINGS)
    assert by_feature(made)[0].side == "R"


def test_tubes_across_and_holes_of_one_side_have_no_partner():
    made = run(chassis())
    n = 2 * len(left_side())
    alone = [by_feature(made)[n + i] for i in range(len(middle()))]
    assert [(p.side, p.partner) for p in alone] == [("C", ""), ("C", ""), ("R", ""), ("R", ""), ("C", "")]


def test_holes_on_the_centre_plane_are_not_each_others_mirror_image():
    made = run([feature("hole", (300, 0.4, 400), UP, 10), feature("hole", (310, -0.3, 400), UP, 10)])
    assert not made.pairs and not made.notes and {p.side for p in made.points} == {"C"}
    pieces = run([feature("tube", (300, y, 400), LEFT, 38, 200) for y in (9, -4)])
    assert not pieces.pairs and {p.side for p in pieces.points} == {"C"}
    close = [feature("hole", (300, 9, 400), UP, 10), feature("hole", (300.5, -9, 400), UP, 10)]
    assert {p.side for p in run(close).points} == {"L", "R"}


@pytest.mark.parametrize("change", [{"diameter": 13.8}, {"kind": "stud"}, {"axis": np.array([0.0, 0.6, 0.8])}])
def test_other_size_kind_or_axis_is_no_partner(change):
    left = feature("hole", (500, 400, 300), UP, 12)
    assert run([left, mirrored(left)]).pairs
    assert not run([left, replace(mirrored(left), **change)]).pairs


def test_a_bracket_moved_as_a_whole_keeps_its_partners_or_has_none():
    """Two holes 48 mm apart, moved along: up to a third of that their mates are certain, beyond it nobody can tell."""
    left = [feature("hole", (x, 400, 300), UP, 12) for x in (500, 548)]
    for shift, expected in ((15, {(0, 2), (1, 3)}), (18, set()), (24, set())):
        assert partners(run(left + [feature("hole", (x + shift, -400, 300), UP, 12) for x in (500, 548)])) == expected


def test_a_row_with_hidden_holes_is_not_paired_one_hole_on():
    """Of five holes at 20 mm the left side hides one and the right another: their mates stay alone."""
    left, right = row(5), [mirrored(f) for f in row(5)]
    made = run(left[:2] + left[3:] + right[:3] + right[4:])
    assert partners(made) == {(0, 4), (1, 5), (3, 7)}
    warned = [n for n in made.notes if n.warning]
    assert len(warned) == 1 and warned[0].count == 1 and "20.0 mm" in warned[0].text


def test_the_end_of_a_row_is_not_paired_with_what_hides_behind_the_other_ends():
    made = run([*row(6)[3:5], mirrored(row(6)[5])])
    assert not made.pairs and any("20.0 mm" in n.text for n in made.notes)


def test_a_tube_seen_longer_on_one_side_still_has_its_partner():
    left = feature("tube", (400, 300, 500), FORE, 38, 600)
    right = replace(mirrored(left), point=np.array([470.0, -302.0, 499.0]), length=420.0)
    (pair,) = run([left, right]).pairs
    assert np.allclose(pair.difference, [0, 2.0, -1.0], rtol=0, atol=1e-9)
    u = np.sqrt(np.diag(pair.cov))
    assert u[0] > 100 and u[1] < 0.5 and u[2] < 0.5


def test_a_tube_of_unknown_length_is_compared_by_its_middle():
    left = feature("tube", (400, 300, 500), FORE, 38, np.nan)
    assert run([left, mirrored(left)]).pairs
    assert not run([left, replace(mirrored(left), point=np.array([470.0, -300.0, 500.0]))]).pairs


def test_a_tube_slid_to_its_partners_section_follows_its_slope():
    slope = np.array([1.0, 0.1, 0.0]) / np.hypot(1, 0.1)
    left = feature("tube", (400, 300, 500), slope, 38, 600)
    right = replace(mirrored(left), point=np.array([450.0, -305.0, 500.0]))
    (pair,) = run([left, right]).pairs
    assert np.allclose(pair.difference, 0, rtol=0, atol=1e-9)


def test_rows_stand_front_to_rear_left_before_its_partner_and_twice_the_same():
    found = shaken(chassis(), 0.5, 3)
    made = run(found, RAILS)
    names = [p.name for p in made.points]
    for pair in made.pairs:
        assert names.index(pair.right) == names.index(pair.left) + 1
    x = [p.position[0] for p in made.points if p.side != "R"]
    assert all(a > b - 1.0 for a, b in pairwise(x))
    order = np.random.default_rng(4).permutation(len(found))
    again = run([found[i] for i in order], RAILS[::-1])
    assert [p.name for p in again.points] == names
    assert all(
        np.allclose(p.cov, q.cov, rtol=0, atol=1e-12) for p, q in zip(made.points, again.points) if p.kind != "rail"
    )


def test_no_features_make_no_points():
    made = run([])
    assert made.points == () and made.pairs == ()


def test_a_one_sided_feature_says_so_and_why():
    made = by_feature(run(chassis()))
    lone = made[2 * len(left_side()) + 2]
    assert lone.side == "R" and lone.note == "on one side only: no like one free within 25 mm of its mirror image"
    assert not any("one side only" in p.note for p in made.values() if p.partner or p.side == "C")
    some = run([*row(1), *(mirrored(f) for f in row(2, 20.0, (1391.0, 430.0, 300.0)))])
    assert "a like feature close by puts its partner in doubt" in " ".join(p.note for p in some.points)
