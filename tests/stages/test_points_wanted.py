"""Names files: the whole pattern first, then each name; what can't be told is refused in words."""

import re
from dataclasses import replace

import numpy as np
import pytest
from points_case import (
    FORE,
    LEFT,
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

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import from_rotation_vector
from barerail.records import MountPoints, Wanted
from barerail.settings import PointsSettings
from barerail.stages.points import points


def run(found, names, rails=()) -> MountPoints:
    return points(scanned(found, rails), a_datum(), names, PointsSettings())


def given(made: MountPoints) -> dict[str, int]:
    """Feature of each name, -1 for a missing one."""
    return {p.name: p.feature for p in made.points}


def state(made: MountPoints, name: str) -> tuple[str, str]:
    return next((p.state, p.note) for p in made.points if p.name == name)


def all_names(found, moved=(0, 0, 0)) -> list[Wanted]:
    n = len(left_side())
    names = [f"p{i % n}-{'LR'[i // n]}" if i < 2 * n else f"m{i}" for i in range(len(found))]
    return [wanted(name, f, row=i + 2, moved=moved) for i, (name, f) in enumerate(zip(names, found))]


def warnings(made: MountPoints) -> str:
    return " | ".join(n.text for n in made.notes if n.warning)


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


def test_a_slide_of_one_pitch_with_a_row_is_decided_by_the_rest():
    found = chassis() + row(5)
    names = [
        *all_names(chassis(), (-20, 0, 0)),
        *(wanted(f"row-{i}", f, moved=(-20, 0, 0)) for i, f in enumerate(row(5))),
    ]
    made = given(run(found, names))
    assert [made[f"row-{i}"] for i in range(5)] == [len(chassis()) + i for i in range(5)]


@pytest.mark.parametrize("hidden", range(5))
@pytest.mark.parametrize("reach", [15.0, 25.0])
def test_a_hidden_hole_of_a_row_is_missing_not_the_next_one(hidden, reach):
    found = chassis() + [f for i, f in enumerate(row(5)) if i != hidden]
    names = [*all_names(chassis()), *(wanted(f"row-{i}", f, reach) for i, f in enumerate(row(5)))]
    made = run(found, names)
    seen = [i for i in range(5) if i != hidden]
    assert [given(made)[f"row-{i}"] for i in seen] == [len(chassis()) + k for k in range(4)]
    what, why = state(made, f"row-{hidden}")
    assert what == "missing" and "mm away" in why and f"row-{hidden} (row 2)" in warnings(made)


@pytest.mark.parametrize("hidden", [0, 4])
def test_one_name_at_the_hidden_end_of_a_row_does_not_take_the_next_hole(hidden):
    """Only the hidden hole is named, and the user looks 25 mm far: the next hole is within reach, 20 mm away."""
    found = chassis() + [f for i, f in enumerate(row(5)) if i != hidden]
    made = run(found, [*all_names(chassis()), wanted("upper", row(5)[hidden], 25.0)])
    what, why = state(made, "upper")
    assert what == "missing" and "20.0 mm" in why and "row" in why


def test_one_name_at_a_hidden_inner_hole_is_refused():
    found = chassis() + [f for i, f in enumerate(row(5)) if i != 2]
    with pytest.raises(DataError, match=r"upper.*20\.0 mm away, another 20\.0 mm"):
        run(found, [*all_names(chassis()), wanted("upper", row(5)[2], 25.0, row=77)])


@pytest.mark.parametrize("reach", [15.0, 25.0])
@pytest.mark.parametrize("hidden", range(5))
@pytest.mark.parametrize("alone", [True, False])
def test_whatever_of_a_row_is_named_and_whichever_hole_is_hidden_no_name_lands_on_another_hole(reach, hidden, alone):
    """Every choice of names of a row of five 20 mm apart, its end hidden or an inner hole, the rest of the car or not:
    a name is on its own hole, missing, or the file is refused."""
    found = ([] if alone else chassis()) + [f for i, f in enumerate(row(5)) if i != hidden]
    outcomes = set()
    for choice in range(1, 32):
        picked = [i for i in range(5) if choice >> i & 1]
        try:
            got = given(run(found, [wanted(f"row-{i}", row(5)[i], reach, row=i) for i in picked]))
        except DataError:
            outcomes.add("refused")
            continue
        for i in picked:
            own = len(found) - 4 + i - (i > hidden)
            assert got[f"row-{i}"] == (-1 if i == hidden else own) or got[f"row-{i}"] == -1, (picked, got)
            outcomes.add("named" if got[f"row-{i}"] >= 0 else "missing")
    assert outcomes >= {"named", "refused"} and ("missing" in outcomes or reach > 20)


def test_both_hidden_ends_of_left_and_right_are_refused_or_told():
    ends = [row(5)[4], mirrored(row(5)[4])]
    with pytest.raises(DataError, match=r"moved 20\.0 mm aft, 2 of 2 names fit moved 40\.0 mm aft"):
        run([*chassis(), *row(4), *map(mirrored, row(4))], [wanted(f"upper-{s}", e, 25.0) for s, e in zip("LR", ends)])
    lone = [row(2)[0], mirrored(row(2)[0])]
    asked = [wanted(f"upper-{s}", e, 25.0) for s, e in zip("LR", (row(2)[1], mirrored(row(2)[1])))]
    what, why = state(run([*chassis(), *lone], asked), "upper-L")
    assert what == "missing" and "20.0 mm away, and too few names fit to hold the file where it is" in why


def test_a_hole_just_out_of_reach_counts_as_one_that_the_name_may_mean():
    """The hidden hole was 17 mm from the one and 23 mm from the other; the user looks 20 mm far."""
    pair = [feature("hole", (x, 430, 300), LEFT, 10.5) for x in (1440, 1480)]
    hidden = feature("hole", (1463, 430, 300), LEFT, 10.5)
    what, why = state(run([*chassis(), *pair], [wanted("upper", hidden, 20.0)]), "upper")
    assert what == "missing" and "17.0 mm away, another 23.0 mm: no telling which" in why


def test_a_row_alone_with_its_end_hidden_fits_moved_on_as_well_and_is_refused():
    names = [wanted(f"row-{i}", f) for i, f in enumerate(row(5))]
    for hidden in (0, 4):
        with pytest.raises(DataError, match=r"4 of 5 names fit as they stand, 4 of 5 .*20\.0 mm"):
            run([f for i, f in enumerate(row(5)) if i != hidden], names)
    assert given(run(row(5), names)) == {f"row-{i}": i for i in range(5)}


def test_a_row_alone_that_fits_only_moved_by_one_hole_is_refused():
    with pytest.raises(DataError, match="can't be told"):
        run(row(5), [wanted(f"row-{i}", f, moved=(20, 0, 0)) for i, f in enumerate(row(5))])


def test_two_holes_of_a_longer_row_alone_fit_one_hole_on_as_well_and_need_a_name_outside_it():
    two = row(4)[1:3]
    for off in (0, 3, 7):
        with pytest.raises(DataError, match=r"2 of 2 names fit .*2 of 2 names fit .*outside the row"):
            run(row(4), [wanted(f"up-{i}", f, moved=(off, 0, 0)) for i, f in enumerate(two)])
    outside = [*two, left_side()[7], mirrored(left_side()[7])]
    for off in (0, 3, 7, 14):
        made = given(run([*row(4), *chassis()], [wanted(f"n{i}", f, moved=(off, 0, 0)) for i, f in enumerate(outside)]))
        assert [made[f"n{i}"] for i in range(4)] == [1, 2, 4 + 7, 4 + len(left_side()) + 7]


@pytest.mark.parametrize("off", [6, 10, 14, 26])
@pytest.mark.parametrize("hidden", [0, 4])
def test_a_row_with_its_end_hidden_in_a_file_that_is_off_is_not_taken_one_hole_on(off, hidden):
    """At 14 mm the next hole is 6 mm away, and as many names fit there: only names outside the row tell which."""
    found = [*row(5), *map(mirrored, row(5))]
    seen = [f for i, f in enumerate(found) if i % 5 != hidden]
    names = [wanted(f"row-{i}", f, moved=(off, 0, 0)) for i, f in enumerate(found)]
    with pytest.raises(DataError, match="can't be told from one moved on"):
        run([*seen, *chassis()], names)
    outside = [wanted(f"p{i}", f, moved=(off, 0, 0)) for i, f in enumerate(chassis()) if f.kind == "hole"]
    made = given(run([*seen, *chassis()], [*names, *outside]))
    own = iter(range(8))
    assert all(made[f"row-{i}"] == (-1 if i % 5 == hidden else next(own)) for i in range(10))


def test_a_row_across_another_row_does_not_hold_a_file_that_is_off():
    """A small turn lets one row stand a hole on while the other fits: so rows don't speak for each other."""
    upright = [feature("hole", (600, 430, 100 + 16.5 * i), LEFT, 9) for i in range(5)]
    names = [wanted(f"n{i}", f, moved=(0, 0, 9)) for i, f in enumerate([*row(4), *upright])]
    with pytest.raises(DataError, match="can't be told"):
        run([*row(4), *upright[:4]], names)


@pytest.mark.parametrize("axis", np.eye(3).tolist())
def test_a_file_turned_by_half_a_degree_keeps_all_names_and_says_so(axis):
    """At the ends of the car half a degree is 13 mm: more than half a pitch."""
    ends = [f for x in (-1500.0, 2200.0) for f in row(5, 20.0, (x, 430.0, 100.0))]
    upright = [replace(f, point=f.point[[2, 1, 0]] + [2300.0, 0, 400.0]) for f in row(5, 18.0, (0.0, 430.0, 100.0))]
    found = [*chassis(), *ends, *upright]
    turned = from_rotation_vector(np.radians(0.5) * np.array(axis))
    names = [wanted(f"n{i}", replace(f, point=turned @ f.point), row=i) for i, f in enumerate(found) if i % 3]
    made = run(found, names)
    assert {n: k for n, k in given(made).items() if n.startswith("n")} == {w.name: w.row for w in names}
    assert "turned by 0.50 degrees" in warnings(made)


def test_a_lone_name_that_may_mean_the_next_hole_of_a_row_is_missing():
    """The file is off by 14 mm of a pitch of 20: the hole that is 6 mm away is the next one."""
    what, why = state(run(row(3), [wanted("upper", row(3)[1], moved=(14, 0, 0))]), "upper")
    assert what == "missing" and "6.0 mm away" in why and "next hole of a row" in why


def test_a_hole_as_far_off_as_a_pitch_while_the_rest_fits_is_not_taken():
    lone = feature("hole", (1400, 430, 500), LEFT, 10.5)
    what, why = state(
        run([*chassis(), lone], [*all_names(chassis()), wanted("upper", lone, moved=(14.8, 0, 0))]), "upper"
    )
    assert what == "missing" and "14.8 mm away, the other names fit to 0.00 mm" in why


def test_two_names_that_another_pair_far_off_would_fit_are_missing():
    left = feature("hole", (500, 400, 300), UP, 12)
    made = run(
        [left, mirrored(left)], [wanted("a", left, moved=(60, 0, 0)), wanted("b", mirrored(left), moved=(60, 0, 0))]
    )
    assert [state(made, n)[0] for n in ("a", "b")] == ["missing"] * 2 and "60.0 mm" in state(made, "a")[1]


def test_two_holes_about_as_near_are_refused_with_both_distances():
    pair = [feature("hole", (x, 400, 300), UP, 12) for x in (500, 518)]
    with pytest.raises(DataError, match=r"row 9, foot: one hole is 8\.0 mm away, another 10\.0 mm"):
        run(pair, [wanted("foot", pair[0], row=9, moved=(8, 0, 0))])
    assert given(run(pair, [wanted("foot", pair[0], moved=(0.8, 0, 0))]))["foot"] == 0
    outside = [wanted(f"p{i}", f, moved=(3, 0, 0)) for i, f in enumerate(chassis())]
    held = run([*pair, *chassis()], [wanted("foot", pair[0], moved=(3, 0, 0)), *outside])
    assert given(held)["foot"] == 0


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


def test_without_names_every_row_lateral_holes_too_is_measured():
    assert {p.state for p in run([*chassis(), *row(3), feature("hole", (0, 300, 0), LEFT, 9)], ()).points} == {
        "measured"
    }


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
