"""Automatic names: where a feature is, the same after a rescan, and never another feature's."""

import re

import numpy as np
import pytest
from points_case import FORE, LEFT, UP, a_datum, chassis, feature, left_side, mirrored, rail, row, scanned, shaken

from barerail.settings import PointsSettings
from barerail.stages.points import points
from barerail.stages.points.names import steady_order


def names_of(found, moved=(0.0, 0.0, 0.0), keep=None) -> dict[int, str]:
    """Name of each feature by its row in `found`, after a move of the datum, with only the rows in `keep` seen."""
    keep = range(len(found)) if keep is None else keep
    pose = a_datum().car_from_scan.copy()
    pose[:3, 3] += moved
    made = points(scanned([found[i] for i in keep]), a_datum(pose), (), PointsSettings())
    return {list(keep)[p.feature]: p.name for p in made.points}


def crowd(seed: int) -> list:
    """160 features of a frame at random places, a third of them in rows of adjusting holes."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(55):
        x, y, z, d = rng.uniform(-900, 2600), rng.uniform(60, 480), rng.uniform(100, 500), rng.uniform(8, 30)
        found.append(feature("hole", (x, y, z), [UP, -UP, LEFT, FORE][rng.integers(4)], d))
    for x in (-500.0, 610.0, 1433.0, 1990.0, 2410.0):
        found += row(5, 20.0, (x, rng.uniform(300, 450), rng.uniform(100, 500)))
    return found + [mirrored(f) for f in found]


def same_share(before: dict[int, str], after: dict[int, str]) -> float:
    """Share of names that stayed, with the check that none went to another feature."""
    owner = {name: i for i, name in before.items()}
    assert all(owner.get(name, i) == i for i, name in after.items()), "a name went to another feature"
    return float(np.mean([before[i] == name for i, name in after.items()]))


def test_names_are_short_plain_and_unique():
    found = chassis() + row(5) + [mirrored(f) for f in row(5)]
    names = list(names_of(found).values())
    assert len(set(names)) == len(found)
    assert all(re.fullmatch(r"[a-z0-9-]+-[LRC]", n) and len(n) <= 31 for n in names)


def test_a_name_tells_kind_place_face_and_side():
    found = [feature("hole", (815, 400, 300), -UP, 12), feature("bolt-axis", (-240, -300, 300), FORE, 12, 40)]
    assert names_of(found) == {0: "hole-f08-down-L", 1: "bolt-axis-a02-R"}
    two = [feature("hole", (815, 400, 300), UP, 12), feature("hole", (842, 400, 300), UP, 12)]
    assert names_of(two) == {0: "hole-f082-up-L", 1: "hole-f084-up-L"}
    across = [feature("hole", (816, y, z), FORE, 12) for y, z in ((400, 300), (200, 300), (400, -150))]
    assert set(names_of(across).values()) == {
        "hole-f082-y40-u30-fore-L", "hole-f082-y20-fore-L", "hole-f082-y40-d15-fore-L"
    }  # fmt: skip


def test_partners_share_a_stem_and_nobody_else_has_it():
    lone = [feature("hole", (815, 400, 300), UP, 12), feature("hole", (835, -300, 300), UP, 12)]
    stems = [n[:-2] for n in names_of(lone).values()]
    assert stems[0] != stems[1]
    found = crowd(1)
    names = names_of(found)
    n = len(found) // 2
    assert all(names[i][:-2] == names[n + i][:-2] for i in range(n))


def test_a_rail_and_a_tube_along_the_car_have_no_station():
    found = [feature("tube", (x, 300, 400), FORE, 38, 500) for x in (480, 560)]
    assert names_of(found[:1])[0] == names_of(found[1:])[0] == "tube-L"
    made = points(scanned([], [rail(430.0), rail(-430.0)]), a_datum(), (), PointsSettings())
    assert [p.name for p in made.points] == ["rail-L", "rail-R"]


@pytest.mark.parametrize("seed", range(4))
def test_names_stay_after_a_rescan(seed):
    """0.3 mm each way: expected loss 0.2 % alone in a zone, 2 % in rows (mean |move| over the rounding step)."""
    found = crowd(seed)
    assert same_share(names_of(found), names_of(shaken(found, 0.3, 100 + seed))) >= 0.96


@pytest.mark.parametrize("seed", range(4))
def test_names_stay_after_the_datum_moved(seed):
    found = crowd(seed)
    assert same_share(names_of(found), names_of(found, moved=(0.2, 0.2, -0.2))) >= 0.94


@pytest.mark.parametrize("seed", range(4))
def test_names_stay_after_features_vanish_and_appear(seed):
    """One in twenty unseen: only what shared a zone with it may be named anew."""
    found = crowd(seed)
    keep = np.flatnonzero(np.random.default_rng(seed).random(len(found)) > 0.05)
    all_seen, some = names_of(found), names_of(found, keep=keep)
    assert same_share(all_seen, some) >= 0.9
    zone = {i: re.sub(r"^(hole-[fa]\d\d).*", r"\1", n) for i, n in all_seen.items()}
    lost = {zone[i] for i in all_seen if i not in some}
    assert all(some[i] == all_seen[i] for i in some if zone[i] not in lost)


def test_a_frame_with_holes_apart_keeps_every_name():
    """The usual frame: 0.3 mm of noise, 0.2 mm of datum and a twentieth unseen change nothing."""
    found = chassis()
    before = names_of(found)
    for seed in range(10):
        keep = np.flatnonzero(np.random.default_rng(seed).random(len(found)) > 0.05)
        assert same_share(before, names_of(shaken(found, 0.3, seed), (0.2, 0, 0), keep)) == 1.0


def test_a_sheet_hole_is_named_by_its_outer_face_alone_or_with_its_partner():
    at = np.array([815.0, 400.0, 300.0])
    through = feature("hole", at, LEFT, 12, 4.0, ends=np.array([at, at - 4.0 * LEFT]))
    found = [through, mirrored(through), feature("hole", at, LEFT, 12), mirrored(feature("hole", at, LEFT, 12))]
    for keep in ((0, 1), (0,), (1,), (2, 3), (0, 3), (2, 1)):
        assert all(n[:-2] == "hole-f08-outboard" for n in names_of(found, keep=keep).values())


def test_a_row_with_its_first_hole_hidden_keeps_the_other_names():
    found = row(5)
    before = names_of(found)
    assert same_share(before, names_of(found, keep=range(1, 5))) == 1.0
    assert same_share(before, names_of(found, keep=(0, 1, 3, 4))) == 1.0


def test_a_name_survives_its_partner():
    found = left_side() + [mirrored(f) for f in left_side()]
    n = len(left_side())
    assert same_share(names_of(found), names_of(found, keep=range(n))) == 1.0


def test_what_shares_a_centimetre_is_counted_steadily_and_says_so():
    found = [feature("hole", (801, 402, z), UP, d) for z, d in ((299, 12), (301, 20))]
    made = points(scanned(found), a_datum(), (), PointsSettings())
    assert sorted(p.name for p in made.points) == ["hole-f080-y40-u30-up-2-L", "hole-f080-y40-u30-up-L"]
    assert all("count in its name" in p.note for p in made.points)


def test_steady_order_ignores_noise_below_its_step():
    where = np.array([[100.0, 5.0], [102.0, 50.0], [20.0, 0.0]])
    assert steady_order(where) == [2, 0, 1]
    assert steady_order(np.add(where, [[3.0, 0], [-1.0, 0], [0, 0]])) == [2, 0, 1]
