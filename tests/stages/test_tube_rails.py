"""Rails of round tubes, on a hand-made space frame that is twisted and bowed. The truth is the construction."""

import json
from dataclasses import replace

import numpy as np
import pytest
from datum_case import KICKED, features_of, some_pose, straight
from fit_case import Points, Scanner, across

from barerail.geometry.frames import direction, from_rotation_vector, invert, rigid, transform
from barerail.geometry.tube_pair import frame_rails, lowest_pair
from barerail.outputs.page_straight import straight_figure
from barerail.outputs.page_tables import station_rows
from barerail.outputs.step import points_step
from barerail.outputs.table import points_csv, straightness_json
from barerail.outputs.words import straightness_words
from barerail.records import Array, Datum, Features, MountPoints, Rail, Straightness
from barerail.settings import CleanSettings, FitSettings, PointsSettings, StraightnessSettings
from barerail.stages.clean import clean
from barerail.stages.datum.surface import Surface
from barerail.stages.datum.vertical import level_of, lows_of
from barerail.stages.fit import fit
from barerail.stages.fit.runs import side_by_side
from barerail.stages.points import points
from barerail.stages.straightness import straightness

LENGTH, TWIST, BOW = 1100.0, 0.5, 3.0
LOW, HIGH = (50.0, 250.0, 0.0), (40.0, 280.0, 200.0)
"""Diameter, y and z of the lower and of the upper tube on the left, mm."""
GAP = (60.0, 230.0)
"""Stretch of the lower left tube that was not seen, mm."""
POSE = some_pose(160)
CAR = Datum(invert(POSE), np.eye(6) * 1e-8, "iso8855", "", "given", (), {}, {}, "mm", 1.0)


def bent(p: Array) -> Array:
    """Turned about x by TWIST in all, none at the middle, and its ends moved BOW to the left."""
    s = 2 * p[:, 0] / LENGTH
    turn = np.radians(TWIST) * s / 2
    y, z = p[:, 1] + BOW * s**2, p[:, 2]
    return np.column_stack([p[:, 0], np.cos(turn) * y - np.sin(turn) * z, np.sin(turn) * y + np.cos(turn) * z])


def tube(s: Scanner, d: float, y: float, z: float) -> Points:
    return s.wall((0, 0, d / 2), -LENGTH / 2, LENGTH / 2, True).placed(across([1, 0, 0]), [0, y, z])


def space_frame(s: Scanner) -> Points:
    """Two lower and two upper tubes, a cross tube welded between the lower ones, a plate on the right."""
    d, y, _ = LOW
    low = [tube(s, d, side * y, 0.0) for side in (1, -1)]
    node = [np.hypot(p.at[:, 0] + 200, p.at[:, 2]) > 19 for p in low]
    keep = [n | (np.sign(p.at[:, 1]) * p.at[:, 1] > y) for n, p in zip(node, low)]
    keep[0] &= (low[0].at[:, 0] < GAP[0]) | (low[0].at[:, 0] > GAP[1])
    out = s.wall((0, 0, 19.0), -225.0, 225.0, True).placed(across([0, 1, 0]), [-200, 0, 0])
    out += s.sheet((200, 160), 4.0).placed(np.eye(3), [100, -360, 40])
    for p, k in zip(low, keep):
        out += Points(p.at[k], p.out[k])
    for side in (1, -1):
        out += tube(s, HIGH[0], side * HIGH[1], HIGH[2])
    return out


@pytest.fixture(scope="module")
def features() -> Features:
    s = Scanner(np.random.default_rng(160), 2.5)
    made = space_frame(s)
    shown = Points(transform(POSE, bent(made.at)), direction(POSE, made.out))
    return fit(clean(s.scan(shown), CleanSettings()), FitSettings(drift_mm=0.0, drift_mm_per_m=0.0))


@pytest.fixture(scope="module")
def said(features: Features) -> Straightness:
    return straightness(features, CAR, StraightnessSettings(supports_known=True))


def lower(features: Features) -> tuple[Rail, Rail]:
    pair = lowest_pair(features.rails, CAR.car_from_scan)
    assert pair is not None
    return pair.rails


def test_long_tubes_are_rails_with_stations_on_their_centrelines(features: Features) -> None:
    assert [r.section for r in features.rails] == ["tube"] * 4
    scores = []
    for rail, side in zip(lower(features), (1, -1)):
        at = transform(CAR.car_from_scan, np.array([s.centre for s in rail.stations]))
        line = bent(np.column_stack([np.linspace(-600, 600, 6001), np.tile([side * LOW[1], LOW[2]], (6001, 1))]))
        true = line[np.abs(at[:, :1] - line[:, 0]).argmin(axis=1)]
        assert np.abs(at - true)[:, 1:].max() < 0.1 and np.ptp(at[:, 0]) > 850
        assert np.abs(np.diff(at[:, 0])).min() > 50
        axes = direction(CAR.car_from_scan, np.array([s.axes for s in rail.stations]))
        off = np.einsum("nki,ni->nk", axes[:, 1:], at - true)
        scores.append(off / np.sqrt([np.diag(s.cov)[:2] for s in rail.stations]))
        for s in rail.stations:
            assert s.size[0] == s.size[1] and abs(s.size[0] - LOW[0]) < 4 * np.sqrt(s.cov[3, 3])
    assert 0.5 < np.sqrt(np.mean(np.concatenate(scores) ** 2)) < 1.5


def test_a_round_tube_has_no_roll_and_its_unseen_stretch_no_station(features: Features) -> None:
    left, right = lower(features)
    for s in (*left.stations, *right.stations):
        assert np.isnan(s.cov[2]).all() and np.isnan(s.cov[:, 2]).all()
        assert np.isfinite(np.delete(np.delete(s.cov, 2, 0), 2, 1)).all()
    x = transform(CAR.car_from_scan, np.array([s.centre for s in left.stations]))[:, 0]
    assert not ((x > GAP[0] + 40) & (x < GAP[1] - 40)).any()
    assert (left.dropped, right.dropped) == (1, 0)
    assert any("tube rail stations dropped" in n.text and n.count == 1 for n in features.notes)


def test_the_twist_of_a_space_frame_is_read_off_its_lower_tubes(said: Straightness) -> None:
    share = (said.to_x_mm - said.from_x_mm) / LENGTH
    for name, true in (("twist_deg", TWIST * share), ("sidesway_mm", BOW * share**2)):
        m = said.measures[name]
        assert m.value is not None and m.U is not None and abs(m.value - true) < m.U < 0.1
    assert abs(said.gauge_width_mm - 2 * LOW[1]) < 0.1


def test_what_was_chosen_is_said_and_roll_is_null_with_its_reason(said: Straightness) -> None:
    assert "rails" in said.assumed and any("lowest left/right pair" in n.text and n.count == 2 for n in said.notes)
    for side in ("left", "right"):
        roll = said.measures[f"rail_roll_{side}_deg"]
        assert roll.value is None and roll.U is None and "round tubes" in roll.reason
    told = json.loads(straightness_json(said, CAR))
    assert all(s["left_roll_deg"] is None and s["right_roll_deg"] is None for s in told["stations"])
    assert "rails" in told["assumed"]


def test_a_single_pair_is_said_to_be_taken_for_the_rails_wherever_it_is_shown(features: Features) -> None:
    """Without box rails the upper pair alone may be a cage's: where it lies is said, and that it was all there was."""
    left, right = lower(features)
    alone = replace(features, rails=tuple(r for r in features.rails if r is not left and r is not right))
    said = straightness(alone, CAR, StraightnessSettings())
    taken = "about 40 mm wide, 280 mm to either side, centres at z = 200 mm: the only long left/right pair"
    assert "rails" in said.assumed and any(n.warning and taken in n.text for n in said.notes)
    assert taken in " ".join(line.strip() for line in straightness_words(said).splitlines())
    assert taken in json.loads(straightness_json(said, CAR))["rails"]
    rows = [p for p in placed(alone).points if p.kind == "rail"]
    assert len(rows) == 2 and all("taken for a rail of the frame" in p.note for p in rows)


def placed(features: Features) -> MountPoints:
    return points(features, CAR, (), PointsSettings())


def test_the_two_rails_are_points_and_nothing_shows_a_nan(features: Features, said: Straightness) -> None:
    made = placed(features)
    rails = {p.side: p for p in made.points if p.kind == "rail"}
    assert sorted(rails) == ["L", "R"] and len([p for p in made.points if p.kind == "rail"]) == 2
    assert all(abs(p.diameter - LOW[0]) < 0.2 and p.diameter == p.length for p in rails.values())
    assert rails["L"].partner == rails["R"].name
    shown = [points_csv(made, CAR), straightness_words(said), json.dumps(straight_figure(said, CAR))]
    shown += [str(row) for row in station_rows(said)]
    assert not any("nan" in text.lower().replace("nanometre", "") for text in map(str, shown))


def test_a_round_rail_is_a_round_solid(features: Features) -> None:
    pytest.importorskip("OCP")
    made = placed(features)
    rails = replace(made, points=tuple(p for p in made.points if p.kind == "rail"), pairs=())
    with_solids, without = (points_step(rails, f, CAR) for f in (features, replace(features, rails=())))
    assert len(with_solids) > len(without)


def shifted(rail: Rail, by: tuple[float, float, float], keep: slice = slice(None)) -> Rail:
    stations = tuple(replace(s, centre=s.centre + direction(POSE, np.array(by))) for s in rail.stations)
    return replace(rail, stations=stations[keep])


def test_the_lowest_long_pair_is_taken_in_either_axes_and_none_without_a_mirror_image(features: Features) -> None:
    left, right = lower(features)
    short = [shifted(r, (0, 0, -300.0), slice(0, 4)) for r in (left, right)]
    deep = [shifted(r, (0, 0, -200.0)) for r in (left, right)]
    rails = (*features.rails, *short)
    for car in (CAR.car_from_scan, np.diag([-1.0, -1, 1, 1]) @ CAR.car_from_scan):
        plain, deeper = lowest_pair(rails, car), lowest_pair((*rails, *deep), car)
        assert plain is not None and {id(r) for r in plain.rails} == {id(left), id(right)} and plain.of == 2
        assert deeper is not None and {id(r) for r in deeper.rails} == set(map(id, deep)) and deeper.of == 3
    assert lowest_pair((left,), CAR.car_from_scan) is None
    assert lowest_pair((left, shifted(right, (0, 150.0, 0))), CAR.car_from_scan) is None


def test_box_rails_side_by_side_leave_no_place_for_tubes(features: Features) -> None:
    both = features_of(KICKED, straight, POSE).rails
    assert side_by_side(both) and not side_by_side(both[:1]) and not side_by_side(())
    assert not side_by_side((both[0], both[0]))
    for box in (both, [replace(r, stations=r.stations[:6]) for r in both]):
        rails = (*features.rails, *box)
        assert lowest_pair(rails, CAR.car_from_scan) is None
        assert frame_rails(rails, CAR.car_from_scan) == tuple(box)


def test_box_cross_members_are_no_rails_beside_tubes(features: Features) -> None:
    turn = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    short = [replace(r, stations=r.stations[9:14]) for r in features_of(KICKED, straight, POSE).rails]
    across_car = tuple(_turned(r, turn) for r in short)
    assert not side_by_side(across_car)
    rails = (*across_car, *features.rails)
    pair = lowest_pair(rails, CAR.car_from_scan)
    assert pair is not None and pair.rails == lower(features)
    alone, beside = (straightness(replace(features, rails=r), CAR, StraightnessSettings()) for r in (rails[2:], rails))
    assert alone.measures == beside.measures
    boxes = features_of(KICKED, straight, POSE)
    assert straightness(boxes, CAR, StraightnessSettings()).rails == "" and "rails" not in json.loads(
        straightness_json(straightness(boxes, CAR, StraightnessSettings()), CAR)
    )


def _turned(rail: Rail, turn: Array) -> Rail:
    """The rail turned about the car's origin."""
    inverse = CAR.car_from_scan
    stations = []
    for s in rail.stations:
        at, axes = transform(inverse, s.centre) @ turn.T, direction(inverse, s.axes) @ turn.T
        stations.append(replace(s, centre=transform(POSE, at), axes=direction(POSE, axes)))
    return replace(rail, stations=tuple(stations))


def test_the_datum_levels_a_tube_frame_by_its_rails_undersides(features: Features) -> None:
    """Bowed up by 3 mm at both ends and with a plate below one end: the mean line, a radius under the centres."""
    rough, bare = invert(POSE), Surface(np.zeros(3), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), 3.0)
    lows = lows_of(features, bare, rough)
    assert {low.kind for low in lows} == {"tube"} and {low.left for low in lows} == {True, False}
    level = level_of(lows, 0.0, 0.0)
    assert level.slope == pytest.approx(0, abs=2e-5)
    assert level.height == pytest.approx(-LOW[0] / 2, abs=0.05)
    turned = from_rotation_vector([0.0, -0.01, 0.0])
    tipped = level_of(lows_of(features, bare, rigid(turned) @ rough), 0.0, 0.0)
    assert tipped.slope == pytest.approx(np.tan(0.01), abs=3e-5)
    assert 1e-6 < level.cov[1, 1] ** 0.5 < 1e-4 and 0.002 < level.cov[0, 0] ** 0.5 < 0.05
