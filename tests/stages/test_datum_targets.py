"""The datum by targets on features whose places are known: three-two-one and known points."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from datum_case import GAUGE, KICKED, case, hints, moved, some_pose, twisted

from barerail.errors import BarerailError, DataError, UsageError
from barerail.geometry.frames import from_rotation_vector, invert, rigid, transform
from barerail.records import FLOOR, CleanScan, Datum, Features
from barerail.settings import DatumSettings
from barerail.stages.datum import datum

PRIMARY = {"a-L": 0.0, "a-R": 0.0, "d-L": 80.0, "d-R": 80.0}
WAY_321: dict[str, Any] = {"method": "three-two-one", "secondary": {"a-L": GAUGE / 2, "d-L": GAUGE / 2}}
TERTIARY = {"b-L..b-R": -150.0}


def named(features: Features) -> dict[str, Any]:
    """a to e from rear to front, -L and -R: where they are in the scan."""
    names = [f"{letter}-{side}" for letter in "abcde" for side in "LR"]
    places = {n: {"kind": f.kind, "at_scan_mm": f.point.tolist()} for n, f in zip(names, features.found)}
    return {"named": places}


def by_321(seed: int = 2, primary: dict[str, float] | None = None, **how: Any) -> tuple[Datum, np.ndarray]:
    clean, features, truth = case(seed, noise=0.05, **how)
    settings = DatumSettings(**WAY_321, primary=primary or PRIMARY, tertiary=TERTIARY, **hints(truth))
    return datum(clean, features, settings, named(features)), truth


def test_three_two_one_reads_what_was_asked() -> None:
    made, truth = by_321()
    assert made.car_from_scan == pytest.approx(truth, abs=1e-6)
    assert made.method == "three-two-one" and made.assumed == ("drift",)
    assert [t["residual_mm"] for t in made.evidence["targets"]] == pytest.approx([0.0] * 7, abs=1e-3)
    assert made.evidence["rails_to_datum"]["pitch_deg"] == pytest.approx(0.0, abs=0.01)
    assert {i.feature for i in made.influence} == {0, 1, 2, 3, 6, 7}


def test_what_was_fitted_first_stays() -> None:
    """A secondary or tertiary that lies elsewhere moves y, yaw and x alone."""
    clean, features, truth = case(3)
    settings = DatumSettings(**WAY_321, primary=PRIMARY, tertiary=TERTIARY, **hints(truth))
    plain = datum(clean, features, settings, named(features))
    askew = settings.model_copy(update={"secondary": {"a-L": GAUGE / 2 + 9.0, "d-L": GAUGE / 2 - 9.0}})
    other = datum(clean, features, askew, named(features))
    assert other.car_from_scan[2] == pytest.approx(plain.car_from_scan[2], abs=1e-9)
    assert other.car_from_scan[1, :3] @ plain.car_from_scan[0, :3] == pytest.approx(-18.0 / 2100.0, rel=0.01)


def test_four_targets_leave_the_twist() -> None:
    """Half a degree over 3 m: 2.1 m apart 0.35 degrees, 4.9 mm across 800 mm; each of four residuals is a quarter."""
    made, _ = by_321(bend=twisted(0.5))
    lift = GAUGE * np.sin(np.radians(0.5 * 2100 / 3000))
    assert abs(made.evidence["twist_of_primary_mm"]) == pytest.approx(lift, rel=0.05)
    # by hand: of a rectangle's four corners the fourth lies off by +-1 of each, so U is the root of the squares' sum
    primary = [t for t in made.evidence["targets"] if t["level"] == "primary"]
    assert made.evidence["twist_of_primary_U_mm"] == pytest.approx(
        np.linalg.norm([t["U_mm"] for t in primary]), rel=0.02
    )
    off = [abs(t["residual_mm"]) for t in made.evidence["targets"] if t["level"] == "primary"]
    assert off == pytest.approx([lift / 4] * 4, rel=0.1)
    assert not made.evidence.get("disagrees"), "one number too many can't say which one is off"
    assert 2 * np.degrees(np.sqrt(made.covariance[3, 3])) > 0.05


def test_five_targets_say_which_one_disagrees() -> None:
    clean, features, truth = case(4)
    bent = moved(features, 3, 3.0 * truth[2, :3])
    primary = {"a-L": 0.0, "a-R": 0.0, "b-L": 0.0, "b-R": 0.0, "d-L": 80.0, "d-R": 80.0}
    settings = DatumSettings(**WAY_321, primary=primary, tertiary=TERTIARY, **hints(truth))
    made = datum(clean, bent, settings, named(features))
    assert made.evidence["disagrees"].startswith("b-R disagrees with the other primary targets")
    assert any(n.warning for n in made.notes)


def test_one_pair_squares_the_car() -> None:
    clean, features, truth = case(5)
    settings = DatumSettings(
        method="three-two-one", primary=PRIMARY, secondary={"b-L..b-R": 0.0}, tertiary=TERTIARY, **hints(truth)
    )
    assert datum(clean, features, settings, named(features)).car_from_scan == pytest.approx(truth, abs=1e-6)


def test_picked_points_carry_a_level() -> None:
    clean, features, truth = case(6, noise=0.05)
    back = invert(truth)
    picks = [(-400.0, 395.0, 0.0), (-400.0, -405.0, 0.0), (500.0, 402.0, 0.0), (500.0, -398.0, 0.0)]
    primary = {",".join(f"{v + 0.4:.2f}" for v in transform(back, p)): 0.0 for p in picks}
    settings = DatumSettings(**WAY_321, primary=primary, tertiary=TERTIARY, **hints(truth))
    made = datum(clean, features, settings, named(features))
    between = made.car_from_scan @ back
    assert np.degrees(np.abs(between[2, :2])).max() < 0.01 and abs(between[2, 3]) < 0.05
    assert 0.01 < 2 * np.sqrt(made.covariance[2, 2]) < 0.2


def with_floor(clean: CleanScan, truth: np.ndarray, tilt_deg: float) -> CleanScan:
    """A table 300 mm below the rails, rolled by so much."""
    rng = np.random.default_rng(5)
    at = np.column_stack([rng.uniform(-1200, 2400, 4000), rng.uniform(-900, 900, 4000), np.full(4000, -300.0)])
    turn = rigid(from_rotation_vector([np.radians(tilt_deg), 0.0, 0.0]))
    points = transform(invert(truth), transform(turn, at + 0.05 * rng.normal(size=at.shape)))
    n = invert(truth)[:3, :3] @ turn[:3, 2]
    return replace(
        clean,
        thin=np.vstack([clean.thin, points]),
        normals=np.vstack([clean.normals, np.tile(n, (4000, 1))]),
        flat=np.zeros(len(clean.thin) + 4000),
        label=np.concatenate([clean.label, np.full(4000, FLOOR, np.uint8)]),
        floor=np.append(n, -float(n @ points.mean(0))),
    )


def test_a_jig_table_is_the_primary_and_its_angle_to_the_rails_is_said() -> None:
    clean, features, truth = case(7)
    clean = with_floor(clean, truth, 0.4)
    settings = DatumSettings(**WAY_321, primary={"floor": -300.0}, tertiary=TERTIARY, **hints(truth))
    made = datum(clean, features, settings, named(features))
    up = made.car_from_scan[2, :3] @ truth[:3, :3].T
    assert np.degrees(np.arctan2(-up[1], up[2])) == pytest.approx(0.4, abs=0.005)
    assert made.evidence["rails_to_datum"]["roll_deg"] == pytest.approx(-0.4, abs=0.01)
    assert made.evidence["rails_to_datum"]["height_mm"] == pytest.approx(0.0, abs=3.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"primary": {"a-L": 0.0, "b-L": 0.0, "c-L": 0.0}}, "within 0 mm of one line"),
        ({"primary": {"a-L": 0.0, "a-R": 0.0}}, "primary: 2 targets, 3 needed"),
        ({"primary": {"a-L": 0.0}}, "a-L alone holds no plane"),
        ({"primary": {"a-L": 0.0, "a-R": 0.0, "d-L": 80.0, "d-R": 200.0}}, "contradict each other: .* reads z"),
        ({"secondary": {"a-L": 400.0}}, "secondary: 1 target, 2 needed, or the mid-point"),
        ({"secondary": {}}, "needs secondary targets"),
        ({"tertiary": {"q-L": 0.0}}, "no point is named q-L"),
        ({"tertiary": {"floor": 0.0}}, "can only be the primary"),
        ({"tertiary": {"9000,0,0": 0.0}}, "nothing was scanned at the picked point"),
        ({"primary": {"floor": 0.0}}, "no floor or table was seen"),
        ({"known": {"a-L": (0.0, 0.0, 0.0)}}, "known has no meaning with method = 'three-two-one'"),
        ({"front": None, "above": (1.0, 2.0, 3.0)}, None),
    ],
)
def test_targets_that_cannot_be_are_refused(change: dict[str, Any], words: str | None) -> None:
    clean, features, truth = case(8)
    base = {**WAY_321, "primary": PRIMARY, "tertiary": TERTIARY, **hints(truth)}
    if words is None:  # a point above that lies under the floor of the car by its targets
        base["above"], words = tuple(transform(invert(truth), [600.0, 0.0, -2000.0])), "contradicts|beside"
        base |= {"method": "known-points", "known": known(features, truth)}
        for key in ("primary", "secondary", "tertiary"):
            base.pop(key)
        change = {}
    with pytest.raises(BarerailError, match=words):
        datum(clean, features, DatumSettings(**{**base, **change}), named(features))


def known(features: Features, truth: np.ndarray, names: str = "abcd") -> dict[str, Any]:
    every = named(features)["named"]
    return {n: tuple(transform(truth, p["at_scan_mm"])) for n, p in every.items() if n[0] in names}


def test_known_points_give_their_axes() -> None:
    clean, features, truth = case(9)
    made = datum(clean, features, DatumSettings(method="known-points", known=known(features, truth)), named(features))
    assert made.car_from_scan == pytest.approx(truth, abs=1e-6)
    assert made.assumed == ("drift",) and len(made.influence) == 8
    assert all(t["weight"] == pytest.approx(1.0, abs=0.01) for t in made.evidence["targets"])


def test_a_known_point_that_moved_is_left_without_weight_and_named() -> None:
    clean, features, truth = case(10)
    points = known(features, truth)
    x, y, z = points["c-R"]
    points["c-R"] = (x + 14.0, y, z - 5.0)
    made = datum(clean, features, DatumSettings(method="known-points", known=points), named(features))
    assert made.car_from_scan == pytest.approx(truth, abs=1e-6)
    assert made.evidence["disagrees"].startswith("c-R: too far") and any(n.warning for n in made.notes)


def test_with_few_points_the_one_that_pulls_is_named() -> None:
    clean, features, truth = case(11)
    points = {n: p for n, p in known(features, truth).items() if n in ("a-L", "a-R", "d-L", "d-R")}
    x, y, z = points["d-R"]
    points["d-R"] = (x, y, z + 3.0)
    made = datum(clean, features, DatumSettings(method="known-points", known=points), named(features))
    assert "pulls most" in made.evidence["disagrees"]
    assert max(t["without_it_moves_mm"] for t in made.evidence["targets"]) > 0.5


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: {n: (x, -y, z) for n, (x, y, z) in p.items()}, "mirror image of the scan"),
        (lambda p: {n: p[n] for n in ("a-L", "b-L", "c-L")}, "lie on one line"),
        (lambda p: {n: p[n] for n in ("a-L", "b-R")}, "needs 3 known points or more, 2 are given"),
        (lambda p: {n: (25.4 * x, y, z) for n, (x, y, z) in p.items()}, "contradict the scan|no pose of the scan"),
    ],
)
def test_coordinates_that_cannot_be_are_refused(change: Any, words: str) -> None:
    clean, features, truth = case(12)
    settings = DatumSettings(method="known-points", known=change(known(features, truth)))
    with pytest.raises(BarerailError, match=words):
        datum(clean, features, settings, named(features))


@pytest.mark.parametrize("method", ["three-two-one", "known-points"])
def test_a_later_scan_gets_the_same_targets(method: str) -> None:
    clean, features, truth = case(1)
    way = (
        {**WAY_321, "primary": PRIMARY, "tertiary": TERTIARY, **hints(truth)}
        if method == "three-two-one"
        else {"method": method, "known": known(features, truth, "abc")}
    )
    first = datum(clean, features, DatumSettings(**way), named(features))
    recipe = json.loads(json.dumps(first.recipe))
    other, seen, where = case(13, noise=0.05, clutter=0.3, legs=KICKED, pose=some_pose(53))
    again = datum(other, seen, DatumSettings(), recipe)
    assert again.method == method and again.car_from_scan == pytest.approx(where, abs=1e-3)
    assert again.recipe == recipe
    gone = replace(seen, found=tuple(f for i, f in enumerate(seen.found) if i != 2))
    with pytest.raises(DataError, match="b-L, which the recipe rests on, isn't seen"):
        datum(other, gone, DatumSettings(), recipe)


def test_a_recipe_and_another_way_are_two_datums() -> None:
    clean, features, truth = case(1)
    settings = DatumSettings(method="known-points", known=known(features, truth))
    with pytest.raises(UsageError, match="two datums"):
        datum(clean, features, settings, {**named(features), "rule": "three-two-one"})
    with pytest.raises(UsageError, match="two datums"):
        datum(clean, features, DatumSettings(origin="a-L"), {**named(features), "rule": "symmetry"})


def test_uncertainty_is_what_redrawn_fits_scatter_by() -> None:
    """JCGM 101: 300 draws of the features from their own covariance, against the propagated one."""
    clean, features, truth = case(14)
    quiet = replace(features, noise=replace(features.noise, drift_mm=0.0, drift_mm_per_m=0.0))
    settings = DatumSettings(method="known-points", known=known(quiet, truth, "acd"))
    base = datum(clean, quiet, settings, named(quiet))
    rng = np.random.default_rng(7)
    shifts = []
    for _ in range(300):
        found = tuple(replace(f, point=rng.multivariate_normal(f.point, f.cov)) for f in quiet.found)
        drawn = datum(clean, replace(quiet, found=found), settings, named(quiet))
        m = drawn.car_from_scan @ invert(base.car_from_scan)
        shifts.append([*m[:3, 3], m[2, 1], m[0, 2], m[1, 0]])
    assert np.std(shifts, axis=0) == pytest.approx(np.sqrt(np.diag(base.covariance)), rel=0.25)


def test_influence_is_what_moving_a_feature_does() -> None:
    clean, features, truth = case(15)
    settings = DatumSettings(**WAY_321, primary=PRIMARY, tertiary=TERTIARY, **hints(truth))
    base = datum(clean, features, settings, named(features))
    for part in base.influence:
        for axis in truth[:3, :3]:
            other = datum(clean, moved(features, part.feature, 0.01 * axis), settings, named(features))
            m = other.car_from_scan @ invert(base.car_from_scan)
            change = np.array([*m[:3, 3], m[2, 1], m[0, 2], m[1, 0]]) / 0.01
            assert change == pytest.approx(part.matrix @ axis, abs=2e-5)


def test_named_places_go_along_where_the_scan_is_read_in_another_scale() -> None:
    clean, features, truth = case(2, noise=0.05)
    settings = DatumSettings(**WAY_321, primary=PRIMARY, tertiary=TERTIARY, **hints(truth))
    unit, names = clean.scan.mm_per_unit, named(features)
    then = {n: {**p, "at_scan_mm": (np.array(p["at_scan_mm"]) / 1.01).tolist(), "mm_per_scan_unit": unit / 1.01}
            for n, p in names["named"].items()}  # fmt: skip
    again, first = (datum(clean, features, settings, n) for n in ({"named": then}, names))
    assert again.car_from_scan == pytest.approx(first.car_from_scan, abs=1e-9)
