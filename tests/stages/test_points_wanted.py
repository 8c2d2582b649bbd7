"""Names files: the whole pattern first, then each name; what can't be told is refused in words."""

import re
from dataclasses import replace

import numpy as np
import pytest
from points_case import (
    FORE,
    UP,
    a_datum,
    chassis,
    feature,
    left_side,
    middle,
    mirrored,
    rail,
    row,
    scanned,
    shaken,
    wanted,
)
from wanted_case import all_names, given, run, state, warnings

from barerail.errors import DataError, UsageError
from barerail.records import Wanted
from barerail.settings import PointsSettings
from barerail.stages.points import points


def test_every_name_lands_on_its_feature_after_a_rescan():
    found = chassis()
    names = all_names(found)
    made = run(shaken(found, 0.5, 1), names)
    assert given(made) == {w.name: i for i, w in enumerate(names)}
    assert {p.name: p.partner for p in made.points}["p3-L"] == "p3-R" and not warnings(made)


def test_points_named_by_a_run_are_the_same_ones_in_the_next():
    first = run(chassis(), (), [rail(430.0), rail(-430.0)])
    names = [Wanted(i, p.name, p.kind, tuple(p.position.tolist())) for i, p in enumerate(first.points)]
    second = run(shaken(chassis(), 0.3, 2)[::-1], names, [rail(430.0), rail(-430.0)])
    n = len(chassis())
    assert {p.name: p.feature for p in first.points if p.feature >= 0} == {
        p.name: n - 1 - p.feature for p in second.points if p.feature >= 0
    }
    assert all(p.state == "measured" for p in second.points)


def test_a_twisted_and_swayed_chassis_keeps_all_names():
    """Twist 0.25 degrees end to end and 3 mm of sidesway, as bent frames come."""

    def bent(f):
        x, y, z = f.point
        u = (x - 800) / 1600
        roll = np.radians(0.25) * u / 2
        return replace(f, point=np.add(f.point, [0, -roll * (z - 300) + 3 * (1 - u * u), roll * y]))

    found = chassis()
    names = all_names(found)
    assert given(run([bent(f) for f in found], names)) == {w.name: i for i, w in enumerate(names)}


def test_a_datum_that_slid_by_40_mm_is_registered_and_said():
    found = chassis()
    made = run(shaken(found, 0.3, 3), all_names(found, moved=(-40, 0, 0)))
    assert given(made) == {w.name: i for i, w in enumerate(all_names(found))}
    shift = re.search(r"moved ([0-9.]+) mm forward", warnings(made))
    assert shift and float(shift[1]) == pytest.approx(40.0, abs=0.3)


def test_two_names_that_another_pair_far_off_would_fit_are_missing():
    left = feature("hole", (500, 400, 300), UP, 12)
    made = run(
        [left, mirrored(left)], [wanted("a", left, moved=(60, 0, 0)), wanted("b", mirrored(left), moved=(60, 0, 0))]
    )
    assert [state(made, n)[0] for n in ("a", "b")] == ["missing"] * 2 and "60.0 mm" in state(made, "a")[1]


def test_two_names_for_one_hole_are_refused():
    hole = feature("hole", (500, 400, 300), UP, 12)
    with pytest.raises(DataError, match="from another name"):
        run([hole], [wanted("a", hole, moved=(2, 0, 0)), wanted("b", hole, moved=(-2.5, 0, 0))])


def test_another_kind_in_its_place_is_missing_and_named():
    hole = feature("hole", (500, 400, 300), UP, 12)
    made = run([hole, *chassis()], [replace(wanted("foot", hole), kind="slot")])
    assert state(made, "foot") == ("missing", "no slot within 15 mm, but a hole 0.0 mm away: its kind differs")


def test_a_missing_point_has_no_coordinates_and_says_how_far_the_nearest_is():
    hole = feature("hole", (500, 400, 300), UP, 12)
    made = run([hole], [wanted("foot-L", hole, moved=(33.5, 0, 0))])
    p = made.points[-1]
    assert (p.name, p.state, p.side, p.feature, p.n) == ("foot-L", "missing", "L", -1, 0)
    assert np.isnan(p.position).all() and np.isnan(p.cov).all() and np.isnan(p.diameter)
    assert p.note == "no hole within 15 mm, the nearest is 33.5 mm away"
    assert made.points[0].name == "hole-f05-up-L"


def test_a_name_in_L_names_the_partner_unless_that_is_named():
    left = feature("hole", (500, 400, 300), UP, 12)
    found = [left, mirrored(left)]
    assert given(run(found, [wanted("foot-L", left)])) == {"foot-L": 0, "foot-R": 1}
    assert given(run(found, [wanted("foot-R", found[1])])) == {"foot-L": 0, "foot-R": 1}
    assert given(run(found, [wanted("foot-L", left), wanted("other", found[1])])) == {"foot-L": 0, "other": 1}
    other = feature("hole", (900, -400, 300), UP, 20)
    made = given(run([*found, other], [wanted("foot-L", left), wanted("foot-R", other)]))
    assert made == {"foot-L": 0, "foot-R": 2, "hole-f05-up-R": 1}
    assert given(run(found, [wanted("DAMPER", left)])) == {"DAMPER": 0, "hole-f05-up-R": 1}
    assert given(run(found, [wanted("PANEL", found[1])])) == {"PANEL": 1, "hole-f05-up-L": 0}


def test_left_and_right_names_that_are_no_mirror_images_are_pointed_out():
    holes = [feature("hole", (500, 400, 300), UP, 12), feature("hole", (700, -400, 300), UP, 12)]
    made = run(holes, [wanted("foot-L", holes[0]), wanted("foot-R", holes[1])])
    assert given(made) == {"foot-L": 0, "foot-R": 1} and "foot" in warnings(made)


@pytest.mark.parametrize(("name", "y"), [("foot-L", -400.0), ("foot-R", 400.0), ("foot-L", 0.0)])
def test_a_side_that_y_contradicts_is_refused_with_its_row(name, y):
    with pytest.raises(UsageError, match=f"row 31: {name} ends in"):
        run(chassis(), [Wanted(31, name, "hole", (500.0, y, 300.0))])


@pytest.mark.parametrize(("name", "y"), [("DAMPER", 400.0), ("PANEL", -400.0), ("REAR", 400.0), ("foot-l", -400.0)])
def test_words_that_end_in_L_or_R_have_no_side(name, y):
    hole = feature("hole", (500, y, 300), UP, 12)
    assert given(run([hole], [wanted(name, hole)])) == {name: 0}


def test_a_name_of_the_left_never_goes_to_the_right():
    right = feature("hole", (500, -6, 300), UP, 12)
    assert state(run([right], [Wanted(2, "foot-L", "hole", (500.0, 4.0, 300.0))]), "foot-L")[0] == "missing"


def test_a_tube_is_found_anywhere_along_its_seen_length_and_nowhere_beside_it():
    tube = feature("tube", (500, 300, 400), FORE, 38, 600)
    assert given(run([tube], [wanted("hoop", tube, moved=(250, 4, 0))])) == {"hoop": 0}
    assert state(run([tube], [wanted("hoop", tube, moved=(0, 18, 0))]), "hoop")[0] == "missing"


def test_an_automatic_name_gives_way_to_a_given_one():
    one, two = feature("hole", (500, 400, 300), UP, 12), feature("hole", (1500, 400, 300), UP, 12)
    assert given(run([one, two], [wanted("hole-f05-up-L", two)])) == {"hole-f05-up-L": 1, "hole-f05-up-2-L": 0}
    gone = Wanted(2, "hole-f05-up-L", "hole", (-900.0, 400.0, 300.0))
    assert given(run([one], [gone])) == {"hole-f05-up-2-L": 0, "hole-f05-up-L": -1}


def test_a_name_much_further_off_than_the_rest_is_pointed_out():
    found = chassis()
    names = all_names(found)
    x, y, z = names[0].position
    names[0] = replace(names[0], position=(x + 12.0, y, z))
    made = run(found, names)
    assert given(made)[names[0].name] == 0 and "p0-L 12.0 mm" in warnings(made)


def test_names_typed_from_a_tape_measure_are_found_within_reach():
    rng = np.random.default_rng(7)
    found = chassis()
    names = [replace(w, position=tuple(np.add(w.position, rng.uniform(-7, 7, 3)).tolist())) for w in all_names(found)]
    assert given(run(found, names)) == {w.name: i for i, w in enumerate(names)}


def test_the_order_of_the_file_does_not_matter():
    found = chassis() + row(5)
    names = [*all_names(chassis()), *(wanted(f"row-{i}", f) for i, f in enumerate(row(5)))]
    assert given(run(found, names)) == given(run(found, names[::-1]))


def test_names_without_any_feature_are_all_missing():
    made = run([], [wanted("foot-L", left_side()[0]), wanted("hoop", middle()[0])])
    assert [p.state for p in made.points] == ["missing"] * 2
    assert made.points[0].note == "no hole within 15 mm, none on its side at all"


def test_a_long_file_of_which_only_two_names_fit_is_refused_not_given_to_other_holes():
    at = [(-150.0 * i - 31 * (i % 3), 440.0 - 17 * (i % 4), 9.0 * i) for i in range(10)]
    names = [Wanted(i, f"n{i}", "hole", p) for i, p in enumerate(at)]
    elsewhere = [(x + 1060.0 + 90.0 * i, y, z) for i, (x, y, z) in enumerate(at[2:])]
    found = [feature("hole", p, UP, 25.0) for p in (*at[:2], *elsewhere)]
    with pytest.raises(DataError, match="only 2 of 10 names fit"):
        points(scanned(found), a_datum(), names, PointsSettings())


def test_a_file_whose_origin_is_another_hole_is_registered_along_the_car_and_said():
    found = chassis()
    made = run(shaken(found, 0.3, 4), all_names(found, moved=(-497.2, 0, 3.0)))
    assert given(made) == {w.name: i for i, w in enumerate(all_names(found))}
    assert "moved 497" in warnings(made)


def test_far_off_few_names_or_a_regular_pattern_are_not_taken_along_the_car():
    """Five names say too little; of a ladder of like holes at one pitch each step fits nearly as well."""
    found = chassis()
    far = [replace(w, position=(w.position[0] - 497.0, *w.position[1:])) for w in all_names(found)[:5]]
    assert all(p.state == "missing" for p in run(found, far).points if p.name in {w.name for w in far})
    ladder = [feature("hole", (x, 430, 300), UP, 12) for x in range(0, 3000, 250)]
    names = [wanted(f"n{i}", f, row=i, moved=(-1003.0, 0, 0)) for i, f in enumerate(ladder)]
    with pytest.raises(DataError, match="names file"):
        run(ladder + [mirrored(f) for f in ladder], names)


def test_a_diameter_that_differs_is_told_and_the_name_stays():
    found = chassis()
    names = [replace(w, diameter_mm=f.diameter) for w, f in zip(all_names(found), found)]
    assert "diameters" not in warnings(run(found, names))
    names[3] = replace(names[3], diameter_mm=found[3].diameter - 2.0)
    made = run(found, names)
    assert given(made)["p3-L"] == 3
    assert "diameters that differ: p3-L 10.5 mm, measured 12.5 mm" in warnings(made)
