"""Points made symmetrical on request: copied or averaged, said, and what was measured kept beside."""

from dataclasses import replace

import numpy as np
import pytest
from points_case import FORE, UP, a_datum, chassis, feature, left_side, mirrored, scanned, wanted

from barerail.records import MountPoint, MountPoints
from barerail.settings import PointsSettings
from barerail.stages.points import points

S = np.array([1.0, -1.0, 1.0])
OFF = np.array([0.4, -0.6, 1.2])


def run(found, names, how: str) -> MountPoints:
    return points(scanned(found), a_datum(), names, PointsSettings(mirror=how))


def by_name(made: MountPoints) -> dict[str, MountPoint]:
    return {p.name: p for p in made.points}


def uneven() -> list:
    """A chassis whose right hole 0 lies OFF from the mirror image of the left one; no right stud, no right bracket."""
    n = len(left_side())
    found = chassis()
    found[n] = replace(found[n], point=found[n].point + OFF)
    kinds = [f.kind for f in left_side()]
    return [f for i, f in enumerate(found) if i not in (n + kinds.index("stud"), n + kinds.index("bolt-axis"))]


def names_for(found) -> list:
    kinds = [f.kind for f in left_side()]
    chosen = {"damper": 0, "stud": kinds.index("stud"), "arm": kinds.index("bolt-axis")}
    return [wanted(f"{name}-L", found[i], row=i + 2) for name, i in chosen.items()]


def test_nothing_is_mirrored_unless_asked():
    found = uneven()
    made = by_name(run(found, names_for(found), "none"))
    assert {p.state for p in made.values()} == {"measured"} and "stud-R" not in made


def test_left_to_right_fills_in_and_copies_and_keeps_what_was_measured():
    found = uneven()
    made = run(found, names_for(found), "left-to-right")
    at = by_name(made)
    for stem in ("damper", "stud", "arm"):
        left, right = at[f"{stem}-L"], at[f"{stem}-R"]
        assert (left.state, right.state, right.side, right.partner, left.partner) == (
            "measured", "mirrored", "R", left.name, right.name,
        )  # fmt: skip
        for value, mirror in ((right.position, left.position * S), (right.axis, left.axis * S)):
            assert np.allclose(value, mirror, rtol=0, atol=1e-12)
        assert np.allclose(right.cov, left.cov * np.outer(S, S), rtol=0, atol=1e-12)
    assert np.allclose(at["damper-R"].measured.position, found[len(left_side())].point, rtol=0, atol=1e-9)
    # by hand: |(0.4, -0.6, 1.2)| = 1.4
    assert "measured 1.40 mm from there" in at["damper-R"].note
    assert at["stud-R"].measured is None and at["stud-R"].feature == -1 and "not seen on this side" in at["stud-R"].note
    assert sum(p.state == "mirrored" for p in made.points) == 3
    said = [n for n in made.notes if "--mirror left-to-right" in n.text]
    assert said[0].warning and said[0].count == 3 and "damper-R" in said[0].text
    (pair,) = (p for p in made.pairs if p.left == "damper-L")
    assert np.allclose(pair.difference, OFF * S, rtol=0, atol=1e-9), "pairs stay as measured"


def test_right_to_left_moves_the_left_and_says_what_has_no_source():
    found = uneven()
    made = run(found, names_for(found), "right-to-left")
    at = by_name(made)
    assert at["damper-R"].state == "measured" and at["damper-L"].state == "mirrored"
    assert np.allclose(at["damper-L"].position, at["damper-R"].position * S, rtol=0, atol=1e-12)
    assert at["stud-L"].state == "measured" and "stud-R" not in at
    assert any("not measured where it is taken from: stud-L and stud-R, arm-L" in n.text for n in made.notes)


def test_average_is_the_mean_of_both_and_its_u_no_smaller_than_it_can_be():
    found = uneven()
    at = by_name(run(found, names_for(found), "average"))
    left, right = at["damper-L"], at["damper-R"]
    assert left.state == right.state == "averaged" and at["stud-L"].state == "measured"
    assert np.allclose(left.position, found[0].point + OFF * S / 2, rtol=0, atol=1e-9)
    assert np.allclose(right.position, left.position * S, rtol=0, atol=1e-12)
    # Var((a + b) / 2) <= (Var a + Var b) / 2 whatever their correlation, and >= (sd a - sd b)^2 / 4
    mean = (left.measured.cov + right.measured.cov * np.outer(S, S)) / 2
    assert np.allclose(left.cov, mean, rtol=0, atol=1e-12)
    assert np.allclose(right.measured.position, found[len(left_side())].point, rtol=0, atol=1e-9)
    # by hand: half of 1.4 mm
    assert "moved 0.70 mm to the mean of both" in left.note and "moved 0.70 mm" in right.note


def test_a_missing_name_is_filled_in_and_names_in_words_mirror_by_partner():
    found = uneven()
    lost = wanted("stud-R", mirrored(found[[f.kind for f in found].index("stud")]), row=9)
    hole = wanted("upper seat", found[1], row=10)
    made = by_name(run(found, [*names_for(found), lost, hole], "left-to-right"))
    assert made["stud-R"].state == "mirrored" and "no stud within 15 mm" in made["stud-R"].note
    partner = made["upper seat"].partner
    assert made[partner].state == "mirrored" and made[partner].name.endswith("-R")


def test_only_named_points_are_touched():
    found = uneven()
    made = run(found, names_for(found), "average")
    assert {p.name for p in made.points if p.state == "averaged"} == {"damper-L", "damper-R"}


@pytest.mark.parametrize("how", ["left-to-right", "right-to-left"])
def test_an_axis_without_a_side_keeps_the_rule_of_signs(how):
    """The left one's largest component is positive, the right one's axis is its mirror image."""
    bent = np.array([0.1, 0.7, 0.5]) / np.linalg.norm([0.1, 0.7, 0.5])
    one = feature("bolt-axis", (500, 300 if how == "left-to-right" else -300, 200), bent, 12, 40)
    name = "a-L" if how == "left-to-right" else "a-R"
    at = by_name(run([one, feature("hole", (0, 300, 0), UP, 9)], [wanted(name, one)], how))
    assert at["a-L"].axis[np.argmax(np.abs(at["a-L"].axis))] > 0
    assert np.allclose(at["a-R"].axis, at["a-L"].axis * S, rtol=0, atol=1e-12)


def test_holes_seen_on_opposite_faces_have_no_mean():
    up, down = feature("hole", (500, 400, 300), UP, 12), feature("hole", (500, -400, 296), -UP, 12)
    others = [feature("hole", (x, y, 100), FORE, 9) for x in (0, 900) for y in (300, -300)]
    made = run([up, down, *others], [wanted("a-L", up)], "average")
    assert {p.state for p in made.points} == {"measured"}
    assert any("left as they are" in n.text for n in made.notes)


def test_of_two_sleeves_averaged_each_keeps_what_was_seen_of_its_own_bore():
    left = feature("sleeve", (500.0, 400.0, 200.0), FORE, diameter=12.0, detail={"outside_diameter_mm": 30.0})
    right = replace(mirrored(left), diameter=30.02, detail={"outside_diameter_mm": 30.02, "bore_seen": 0.0})
    at = by_name(run([*chassis(), left, right], [wanted("bush-L", left)], "average"))
    seen, unseen = at["bush-L"], at["bush-R"]
    assert seen.state == unseen.state == "averaged"
    assert (seen.bore_unseen, seen.opening_mm) == (False, 12.0)
    assert unseen.bore_unseen and np.isnan(unseen.opening_mm) and unseen.diameter == 30.02
