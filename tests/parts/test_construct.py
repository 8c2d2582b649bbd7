"""Constructed points: places and angles by hand geometry, U by Monte Carlo, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from parts_case import NAN, NOISE, bracket, datum, hole

from barerail.errors import DataError, UsageError
from barerail.geometry.together import together
from barerail.records import Construction, Influence, MountPoint, MountPoints, NoiseModel
from barerail.settings import ConstructSettings
from barerail.stages.construct import construct

SETTINGS = ConstructSettings()

FOUND = MountPoints(
    (
        bracket("front-L", (300.0, 200.0, 100.0)),
        bracket("rear-L", (0.0, 210.0, 90.0)),
        bracket("across", (50.0, 0.0, 92.0), (0.0, 1, 0)),
        hole("p", (400.0, 100.0, 0.0)), hole("q", (400.0, 160.0, 0.0)), hole("r", (450.0, 100.0, 0.0)),
        hole("wall-out", (100.0, 330.0, 40.0), (0.0, 1, 0)), hole("wall-in", (100.5, 280.0, 40.0), (0.0, -1, 0)),
        hole("lost", (NAN, NAN, NAN), state="missing"),
    ),
    (),
)  # fmt: skip


def made(how: str, *of: str, name: str = "made", car=None, found: MountPoints = FOUND, **values) -> MountPoint:
    wanted = [Construction(f"list.toml point 1 ({name})", name, how, of, values)]
    return construct(found, wanted, car or datum(), NOISE, SETTINGS).points[-1]


def test_places_and_angles_of_each_way_by_hand():
    line = made("line", "rear-L", "front-L")
    assert line.position == pytest.approx((150, 205, 95)) and line.length == pytest.approx(np.sqrt(300**2 + 200))
    # 10 mm to the right and 10 mm up over 300 mm forward
    assert line.detail["plan_deg"] == pytest.approx(-1.9091525) and line.detail["side_deg"] == pytest.approx(1.9091525)
    assert made("offset", "front-L", along="axis", by_mm=12.0).position == pytest.approx((312, 200, 100))
    assert made("offset", "front-L", along="z", by_mm=-5.0).position == pytest.approx((300, 200, 95))
    assert made("middle", "p", "q", "r").position == pytest.approx((1250 / 3, 120, 0))
    assert made("pierce", "across", y=250.0).position == pytest.approx((50, 250, 92))
    assert made("pierce", "wall-out", "across").position == pytest.approx((100, 0, 40))
    near = made("nearest", "rear-L", "across")
    assert near.position == pytest.approx((50, 210, 91)) and near.detail["gap_mm"] == pytest.approx(2.0)
    ring = made("circle", "p", "q", "r")  # a right angle: the middle of the longest side, and its length
    assert ring.position == pytest.approx((425, 130, 0)) and ring.diameter == pytest.approx(np.hypot(60, 50))
    assert made("plane", "p", "q", "r").axis == pytest.approx((0, 0, 1))


def test_a_through_bolt_is_one_feature_with_the_outside_width():
    bolt = made("through", "wall-in", "wall-out")
    assert bolt.position == pytest.approx((100.25, 305, 40)) and bolt.length == pytest.approx(np.hypot(50, 0.5))
    assert bolt.detail["lean_deg"] == pytest.approx(np.degrees(np.arctan(0.5 / 50)))
    # the inner face leads where it points left: the outer one counts all the same
    inner = hole("wall-right", (100.0, -296.0, 40.0), (0.0, 1, 0), ends=np.array([(100.0, -300, 40), (100, -296, 40)]))
    both = MountPoints((inner, hole("wall-left", (100.0, -250.0, 40.0), (0.0, 1, 0))), ())
    assert made("through", "wall-right", "wall-left", found=both).length == pytest.approx(50)


def test_how_wide_a_bolt_through_a_sleeve_whose_bore_was_not_seen_may_be_is_not_known():
    inner, outer = hole("wall-right", (100.0, -300.0, 40.0), (0.0, 1, 0)), hole("h", (100.0, -250.0, 40.0), (0.0, 1, 0))
    unseen = replace(inner, kind="sleeve", diameter=8.0, detail={"bore_seen": 0.0})
    both = MountPoints((unseen, replace(outer, name="wall-left", diameter=10.0)), ())
    bolt = made("through", "wall-right", "wall-left", found=both)
    assert np.isnan([bolt.diameter, bolt.u_diameter]).all()


def test_a_joint_sits_by_its_spacers_and_its_play_counts():
    tight = made("eye", "front-L", spacers_mm=(4.0, 10.0))
    assert tight.position == pytest.approx((297, 200, 100)) and tight.detail["room_mm"] == pytest.approx(26)
    loose = made("eye", "front-L", spacers_mm=(4.0, 10.0), width_mm=25.0)
    assert loose.position == pytest.approx((297, 200, 100)) and loose.cov[0, 0] > tight.cov[0, 0] + 0.08
    with pytest.raises(DataError, match=r"1\.00 mm wider than the inner gap of 40\.00 mm"):
        made("eye", "front-L", spacers_mm=(4.0, 10.0), width_mm=27.0)


def test_a_point_alone_has_its_own_covariance_and_the_datum_cancels_between_two():
    car = datum()
    alone = together(FOUND, ["front-L"], car, NOISE)
    q = FOUND.points[0].position
    want = 0.0025 + 0.05**2 + (0.2e-3 * np.linalg.norm(q)) ** 2
    b = np.hstack([np.eye(3), -np.cross(np.eye(3), q)])
    assert alone.total[:3, :3] == pytest.approx(want * np.eye(3) + b @ car.covariance @ b.T)
    two = together(FOUND, ["front-L", "rear-L"], replace(car, covariance=np.diag([9.0] * 3 + [1e-12] * 3)), NOISE)
    j = np.hstack([np.eye(3), np.zeros((3, 3)), -np.eye(3), np.zeros((3, 3))])
    apart = 2 * 0.0025 + 2 * 0.05**2 + (0.2e-3) ** 2 * (300**2 + 200)
    assert two.through(j) == pytest.approx(apart * np.eye(3), abs=1e-6)


def test_what_the_datum_rests_on_does_not_count_twice():
    # the datum's x is this very point's x: in car axes it has no error there
    matrix = np.zeros((6, 3))
    matrix[0] = -datum().car_from_scan[0, :3]
    p = replace(FOUND.points[0], feature=3)
    car = datum(covariance=np.diag([0.0025, 0, 0, 0, 0, 0]), influence=(Influence(3, matrix),))
    total = together(MountPoints((p,), ()), ["front-L"], car, NoiseModel(0.1, 0, 0, 0, 0)).total
    assert total[:3, :3] == pytest.approx(np.diag([0.0, 0.0025, 0.0025]), abs=1e-6)


def test_U_of_a_pivot_line_is_what_drawing_gives():
    """Monte Carlo (JCGM 101): both fits, the datum and the drift drawn; angles in plan and side view."""
    line, rng, n = made("line", "rear-L", "front-L"), np.random.default_rng(4), 20000
    q = np.array([FOUND.points[i].position for i in (1, 0)])
    drift = 0.2e-3 * rng.normal(size=(n, 3, 3))
    turn = rng.normal(size=(n, 3)) * np.sqrt(np.diag(datum().covariance)[3:])
    moved = q + q @ drift.transpose(0, 2, 1) + rng.normal(scale=np.hypot(0.05, 0.05), size=(n, 2, 3))
    moved = moved + np.cross(turn[:, None], q)
    way = moved[:, 1] - moved[:, 0]
    for name, k in (("plan_deg", 1), ("side_deg", 2)):
        assert line.detail[f"u_{name}"] == pytest.approx(np.degrees(np.arctan2(way[:, k], way[:, 0])).std(), rel=0.03)


def test_built_on_built_moves_with_the_measured_ones():
    first = Construction("l point 1", "mid", "middle", ("front-L", "rear-L"), {})
    second = Construction("l point 2", "out", "offset", ("mid",), {"along": "y", "by_mm": 30.0})
    out = construct(FOUND, [first, second], datum(), NOISE, SETTINGS)
    assert out.points[-1].cov == pytest.approx(out.points[-2].cov)
    j = np.hstack([np.eye(3), np.zeros((3, 3)), -np.eye(3), np.zeros((3, 3))])
    assert together(out, ["mid", "out"], datum(), NOISE).through(j) == pytest.approx(np.zeros((3, 3)), abs=1e-12)


def test_entered_points_carry_what_was_typed_in():
    wheel = made("entered", at=(900.0, 720.0, 120.0), U_mm=2.0, name="wheel-L")
    assert wheel.state == "entered" and wheel.cov == pytest.approx(np.eye(3)) and wheel.side == "L"
    wanted = [Construction("l point 1", "w", "entered", (), {"at": (0.0, 1, 2)})]
    assert "taken as exact: w" in construct(FOUND, wanted, datum(), NOISE, SETTINGS).notes[0].text


@pytest.mark.parametrize(
    ("how", "of", "values", "error", "words"),
    [
        ("line", ("front-L",), {}, UsageError, "line is built from 2 different points, got 1"),
        ("line", ("front-L", "rear-l"), {}, UsageError, "no point is named 'rear-l'; did you mean rear-L?"),
        ("middle", ("front-L", "lost"), {}, DataError, "lost was not found in the scan"),
        ("nearest", ("front-L", "rear-L"), {}, DataError, "only 0.00 degrees between them"),
        ("pierce", ("front-L",), {}, UsageError, "pierce takes either a second point"),
        ("pierce", ("front-L",), {"y": 3.0}, DataError, "only 0.00 degrees between them"),
        ("eye", ("p",), {"spacers_mm": (1.0, 1.0)}, DataError, "p is no two-tab bracket"),
        ("through", ("p", "q"), {}, DataError, "lie not across the line between them"),
    ],
)
def test_what_the_points_do_not_hold_is_refused(how, of, values, error, words):
    with pytest.raises(error, match=r"^list.toml point 1 \(made\): .*") as told:
        made(how, *of, **values)
    assert words in str(told.value) and "\n" not in str(told.value)


def test_names_must_be_new_and_agree_with_their_side():
    with pytest.raises(UsageError, match="stands for another point already"):
        made("middle", "p", "q", name="rear-L")
    with pytest.raises(UsageError, match=r"ends in -R but the point has y = 205\.0 mm"):
        made("line", "rear-L", "front-L", name="pivot-R")


def test_left_stays_left_where_y_counts_to_the_right():
    found = MountPoints((hole("a-L", (400.0, -300.0, 0.0)), hole("b-L", (500.0, -300.0, 0.0))), ())
    car = datum(axes="iso4130")
    assert made("middle", "a-L", "b-L", name="m-L", car=car, found=found).side == "L"
    assert made("offset", "a-L", car=car, found=found, along="y", by_mm=600.0).side == "R"
    with pytest.raises(UsageError, match=r"ends in -R but the point has y = -300\.0 mm; left is negative"):
        made("middle", "a-L", "b-L", name="m-R", car=car, found=found)
