"""Names on rows of holes that are alike: never one hole on, whatever is hidden or off."""

from dataclasses import replace

import numpy as np
import pytest
from points_case import (
    LEFT,
    UP,
    chassis,
    feature,
    left_side,
    mirrored,
    row,
    wanted,
)
from wanted_case import all_names, given, run, state, warnings

from barerail.errors import DataError
from barerail.geometry.frames import from_rotation_vector


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


def test_two_holes_about_as_near_are_refused_with_both_distances():
    pair = [feature("hole", (x, 400, 300), UP, 12) for x in (500, 518)]
    with pytest.raises(DataError, match=r"row 9, foot: one hole is 8\.0 mm away, another 10\.0 mm"):
        run(pair, [wanted("foot", pair[0], row=9, moved=(8, 0, 0))])
    assert given(run(pair, [wanted("foot", pair[0], moved=(0.8, 0, 0))]))["foot"] == 0
    outside = [wanted(f"p{i}", f, moved=(3, 0, 0)) for i, f in enumerate(chassis())]
    held = run([*pair, *chassis()], [wanted("foot", pair[0], moved=(3, 0, 0)), *outside])
    assert given(held)["foot"] == 0


def test_without_names_every_row_lateral_holes_too_is_measured():
    assert {p.state for p in run([*chassis(), *row(3), feature("hole", (0, 300, 0), LEFT, 9)], ()).points} == {
        "measured"
    }
