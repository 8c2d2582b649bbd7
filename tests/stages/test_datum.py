"""The datum of a frame whose axes are known: place, signs, guesses, refusals."""

from dataclasses import replace

import numpy as np
import pytest
from datum_case import (
    GAUGE,
    LEVEL,
    Leg,
    case,
    clean_of,
    features_of,
    frame_surface,
    hints,
    some_pose,
    straight,
    twisted,
)

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import direction, transform
from barerail.geometry.mirror import Mirror, pairs_of
from barerail.records import Array, Datum
from barerail.settings import DatumSettings
from barerail.stages.datum import datum
from barerail.stages.datum.finest import finish
from barerail.stages.datum.origin import origin_of
from barerail.stages.datum.rivals import Rival, choose
from barerail.stages.datum.signs import Hints
from barerail.stages.datum.surface import surface_of
from barerail.stages.datum.vertical import level_of, lows_of

ENDS = np.array([[-900.0, 0.0, 100.0], [2100.0, 0.0, 100.0]])


def errors(made: Datum, car_from_scan: Array) -> tuple[float, Array, float]:
    """Angle of the centre plane in degrees, its offset in mm at both ends, angle of up in degrees."""
    between = made.car_from_scan @ np.linalg.inv(car_from_scan)
    side, up = between[:3, 1], between[:3, 2]
    return (
        float(np.degrees(np.linalg.norm(np.cross(side, [0, 1, 0])))),
        transform(between, ENDS)[:, 1],
        float(np.degrees(np.linalg.norm(np.cross(up, [0, 0, 1])))),
    )


def test_exact_symmetry_gives_the_exact_plane() -> None:
    clean, features, truth = case(3)
    made = datum(clean, features, DatumSettings(**hints(truth)))
    angle, ends, up = errors(made, truth)
    assert angle < 0.001 and np.abs(ends).max() < 0.005
    assert up < 0.001
    assert np.linalg.det(made.car_from_scan[:3, :3]) == pytest.approx(1, abs=1e-12)


def test_survives_one_sided_clutter_and_noise() -> None:
    clean, features, truth = case(4, noise=0.1, clutter=0.35)
    made = datum(clean, features, DatumSettings(**hints(truth)))
    angle, ends, _ = errors(made, truth)
    assert angle < 0.003 and np.abs(ends).max() < 0.03
    assert made.evidence["mirrors_within_3_mm_percent"] < 80
    u = np.sqrt(np.diag(made.covariance))
    assert 1e-4 < u[1] < 0.1 and np.abs(ends).max() < 4 * u[1] + 4 * u[5] * 2000


def test_both_faces_of_a_sheet_are_told_apart() -> None:
    """Open sections: the inner face must not mirror on to the outer one, 5 mm off."""
    clean, features, truth = case(23, noise=0.05, clutter=0.2)
    points = np.vstack([clean.thin, clean.thin - 5.0 * clean.normals])
    sheet = clean_of(points, np.vstack([clean.normals, -clean.normals]))
    surface = surface_of(sheet)
    n = truth[1, :3]
    middle = -float(truth[1, 3]) - float(n @ surface.middle)
    for off in (0.0, 2.5, -6.0):
        found = finish(surface, surface.tree, Mirror(n, middle + off), truth[0, :3], 0.05)
        assert abs(found.mirror.offset - middle) < 0.03
    _, ends, _ = errors(datum(sheet, features, DatumSettings(**hints(truth))), truth)
    assert np.abs(ends).max() < 0.03


def test_level_origin_and_signs_are_as_said() -> None:
    clean, features, truth = case(5, noise=0.05)
    made = datum(clean, features, DatumSettings(**hints(truth)))
    between = made.car_from_scan @ np.linalg.inv(truth)
    assert np.diag(between[:3, :3]) == pytest.approx([1, 1, 1], abs=1e-4)
    lowest = transform(between, np.array([[-100.0, GAUGE / 2, 0.0], [-100.0, -GAUGE / 2, 0.0]]))
    assert lowest[:, 2] == pytest.approx([0, 0], abs=0.02)
    pair = [transform(made.car_from_scan, features.found[i.feature].point) for i in made.influence if i.matrix[0].any()]
    assert np.mean(pair, axis=0)[0] == pytest.approx(0, abs=1e-9)
    assert "left/right pair of round holes" in made.origin and "undersides" in made.origin
    assert made.assumed == ("drift",)


def test_moving_the_scan_moves_nothing_in_car_axes() -> None:
    places = []
    for pose in (some_pose(1), some_pose(2)):
        clean, features, truth = case(6, noise=0.1, clutter=0.2, pose=pose)
        made = datum(clean, features, DatumSettings(**hints(truth)))
        places.append(transform(made.car_from_scan, np.array([f.point for f in features.found])))
    assert np.ptp(places, axis=0).max() < 0.01


def test_a_mirrored_scan_swaps_left_and_right() -> None:
    clean, features, truth = case(7, noise=0.05, clutter=0.2)
    flip = np.array([-1.0, 1.0, 1.0])
    mirrored = clean_of(clean.thin * flip, clean.normals * flip)
    found = tuple(replace(f, point=f.point * flip, axis=f.axis * flip) for f in features.found)
    planes = tuple(replace(p, centre=p.centre * flip, axes=p.axes * flip) for p in features.planes)
    other = replace(features, found=found, planes=planes, rails=())
    points = {k: tuple(np.array(v) * flip) for k, v in hints(truth).items()}
    a = datum(clean, features, DatumSettings(**hints(truth)))
    b = datum(mirrored, other, DatumSettings(**points))
    left = transform(a.car_from_scan, features.found[0].point)
    assert left[1] > 0
    assert transform(b.car_from_scan, found[0].point) == pytest.approx(left * [1, -1, 1], abs=0.02)
    assert np.linalg.det(b.car_from_scan[:3, :3]) == pytest.approx(1)


def test_a_twist_tips_neither_level_nor_roll() -> None:
    clean, features, truth = case(8, noise=0.05, bend=twisted(0.5))
    made = datum(clean, features, DatumSettings(**hints(truth)))
    turn = made.car_from_scan[:3, :3]
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12), "the final plane differs from the one searched along"
    between = made.car_from_scan @ np.linalg.inv(truth)
    pitch = float(np.degrees(between[2, 0]))
    assert abs(pitch) < 0.003
    u = np.degrees(np.sqrt(np.diag(made.covariance)[3:]))
    assert u[0] > 0.01, "half a degree of twist has to show in U of roll"


def test_guesses_go_by_overhang_and_kick_up_are_said_and_end_when_confirmed() -> None:
    clean, features, truth = case(9)
    clean = replace(clean, scan=replace(clean.scan, unit_assumed=True))
    made = datum(clean, features, DatumSettings())
    assert np.diag((made.car_from_scan @ np.linalg.inv(truth))[:3, :3]) == pytest.approx([1, 1, 1], abs=1e-3)
    assert made.assumed == ("front", "above", "unit", "drift")
    assert made.evidence["front"].startswith("guessed") and made.evidence["above"].startswith("guessed")
    assert datum(clean, features, DatumSettings(confirmed=True)).assumed == ("drift",)


def test_a_floor_tells_up() -> None:
    clean, features, truth = case(11, legs=LEVEL, cross=(-1200.0, 200.0))
    down = -truth[2, :3]
    made = datum(replace(clean, floor=np.append(down, 0.0)), features, DatumSettings())
    assert made.car_from_scan[2, :3] @ down > 0.99
    assert made.evidence["above"] == "away from the floor in the scan" and "above" not in made.assumed


def test_points_count_in_the_file_s_unit() -> None:
    clean, features, truth = case(12)
    clean = replace(clean, scan=replace(clean.scan, unit="m", mm_per_unit=1000.0))
    points = {k: tuple(np.array(v) / 1000) for k, v in hints(truth).items()}
    made = datum(clean, features, DatumSettings(**points))
    assert (made.car_from_scan @ np.linalg.inv(truth))[0, 0] == pytest.approx(1, abs=1e-4)
    assert made.mm_per_scan_unit == 1000.0


def test_fore_and_aft_symmetry_loses_to_the_rails_and_is_said() -> None:
    clean, features, truth = case(13, legs=LEVEL, cross=(-1000.0, 0.0, 1000.0))
    made = datum(clean, features, DatumSettings())
    assert abs(made.car_from_scan[1, :3] @ truth[1, :3]) > 0.9999
    assert any("mirrors the scan nearly as well" in n.text and n.warning for n in made.notes)
    assert len(made.evidence["planes"]) >= 3 and sum(p["taken"] for p in made.evidence["planes"]) == 1


def test_a_square_frame_is_refused_until_the_front_is_given() -> None:
    legs, others = (Leg((-430, 50), (430, 50)),), (Leg((-600, 50), (600, 50)),)
    rng = np.random.default_rng(14)
    one, two = (frame_surface(g, (), rng) for g in (legs, others))
    turn = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    pose = some_pose(14)
    points = np.vstack([one[0], two[0] @ turn.T])
    normals = np.vstack([one[1], two[1] @ turn.T])
    clean = clean_of(transform(pose, points), direction(pose, normals))
    features = replace(features_of(legs, straight, pose), rails=(), planes=())
    with pytest.raises(DataError, match=r"two mirror planes fit nearly as well.*--front"):
        datum(clean, features, DatumSettings())
    front = tuple(transform(pose, [2000.0, 0, 50]))
    above = tuple(transform(pose, [0.0, 0, 900]))
    made = datum(clean, features, DatumSettings(front=front, above=above))
    assert (made.car_from_scan @ pose)[0, 0] == pytest.approx(1, abs=1e-4)


def test_points_that_cannot_be_are_refused() -> None:
    clean, features, truth = case(15)
    back = np.linalg.inv(truth)
    far = tuple(transform(back, [3000.0, 0, 60]))
    with pytest.raises(UsageError, match="on one line"):
        datum(clean, features, DatumSettings(front=far, above=tuple(transform(back, [4000.0, 0, 60]))))
    with pytest.raises(UsageError, match=r"--above.*beside"):
        datum(clean, features, DatumSettings(above=far))
    with pytest.raises(UsageError, match=r"--front.*beside"):
        datum(clean, features, DatumSettings(front=tuple(transform(back, [600.0, 0, 5000]))))
    with pytest.raises(UsageError, match="middle of the scan itself"):
        datum(clean, features, DatumSettings(front=tuple(clean.thin.mean(0))))
    good = Rival(Mirror(np.array([0.0, 1.0, 0.0]), 0.0), 0.9, True)
    poor = Rival(Mirror(np.array([1.0, 0.0, 0.0]), 0.0), 0.4, False)
    with pytest.raises(UsageError, match="across the frame's own mirror plane"):
        choose([good, poor], Hints(np.array([10.0, 900.0, 0.0]), None), DatumSettings())


def test_without_features_the_datum_still_stands_and_says_so() -> None:
    clean, features, truth = case(16, noise=0.05)
    made = datum(clean, replace(features, found=(), planes=(), rails=()), DatumSettings(**hints(truth)))
    _, ends, up = errors(made, truth)
    assert np.abs(ends).max() < 0.03 and up < 0.05
    assert "origin" in made.assumed and "the middle of what was scanned" in made.origin
    assert "lowest surface of each side" in made.origin
    u = np.sqrt(np.diag(made.covariance))
    assert u[0] >= 100 and np.all(np.isfinite(u)) and u[1] < 1


def test_one_sided_faces_do_not_level_the_car() -> None:
    clean, features, truth = case(17)
    a = features.planes[1]
    bracket = replace(a, centre=a.centre - 60 * truth[2, :3] + 150 * truth[1, :3], extent=(600.0, 60.0))
    lows = lows_of(replace(features, planes=(*features.planes, bracket)), surface_of(clean), truth)
    assert sorted(p.at[2].round(6) for p in lows) == pytest.approx([0, 0, 80, 80], abs=1e-6)
    assert {p.left for p in lows} == {True, False}


def test_too_little_to_go_by_is_refused() -> None:
    clean, features, _ = case(18)
    with pytest.raises(DataError, match="smooth chassis surface"):
        datum(replace(clean, flat=np.full(len(clean.thin), 1.0)), features, DatumSettings())


def test_same_input_same_datum() -> None:
    clean, features, truth = case(19, noise=0.1, clutter=0.3)
    a, b = (datum(clean, features, DatumSettings(**hints(truth))) for _ in range(2))
    assert a.car_from_scan.tobytes() == b.car_from_scan.tobytes()
    assert a.covariance.tobytes() == b.covariance.tobytes()
    assert a.evidence == b.evidence and a.recipe == b.recipe


def test_drift_sets_the_level_s_uncertainty() -> None:
    """0.5 mm/m of drift is 0.5e-3 of slope that no number of faces averages out."""
    clean, features, truth = case(20)
    lows = lows_of(features, surface_of(clean), truth)
    assert np.sqrt(level_of(lows, 0.0, 0.5).cov[1, 1]) == pytest.approx(0.5e-3, rel=0.02)
    assert np.sqrt(level_of(lows, 0.0, 0.0).cov[1, 1]) < 0.1e-3
    assert level_of(lows, 0.2, 0.0).cov[0, 0] > level_of(lows, 0.0, 0.0).cov[0, 0]


def test_the_origin_stays_at_one_pair_when_the_fits_are_redrawn() -> None:
    """Redrawn from its own covariance, a scan keeps its x = 0: U says nothing of a jump to another pair."""
    _, features, truth = case(1)
    mirror = Mirror(truth[1, :3], -float(truth[1, 3]))
    pairs = pairs_of(features.found, np.zeros(3), mirror)
    assert len(pairs) > 3
    rng = np.random.default_rng(101)

    def again() -> tuple[int, ...]:
        found = tuple(replace(f, point=rng.multivariate_normal(f.point, f.cov)) for f in features.found)
        return origin_of(pairs, found, truth, 0.05).features

    assert len({again() for _ in range(100)}) == 1
