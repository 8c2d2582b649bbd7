"""Compare on frames made by hand: what was bent is found, what wasn't stays, what can't be told is refused."""

import re
import sys
from dataclasses import replace

import numpy as np
import pytest
from compare_case import HIGH, LOW, QUIET, car, compared, cut, earlier, pulled, scanned
from datum_case import GAUGE, KICKED, features_of, some_pose, straight, twisted

from barerail.asked import CompareSettings
from barerail.comparing import against_drawing
from barerail.comparing import compared as ran
from barerail.errors import DataError, UsageError
from barerail.geometry.frames import invert, transform
from barerail.geometry.registration.agreement import Agreement
from barerail.geometry.registration.search import Found
from barerail.outputs.in_axes import points_in, rearward
from barerail.outputs.view import HALF_TURN
from barerail.records import Array, Features, Moves, Wanted
from barerail.settings import PointsSettings
from barerail.stages.compare import Earlier, against, compare, laid, later_car
from barerail.stages.compare.budget import PoseBudget
from barerail.stages.compare.rails import rail_shifts
from barerail.stages.points import points


def miss(m: Moves, first: Array, second: Array) -> tuple[float, float]:
    """Degrees, and the largest miss in mm at the ends of the frame."""
    off = m.unmoved.pose @ second @ invert(first)
    ends = transform(first, np.array([[LOW, GAUGE / 2, 0], [LOW, -GAUGE / 2, 0], [HIGH, 400, 0], [HIGH, -400, 0]]))
    turn = np.degrees(np.linalg.norm(off[:3, :3] - np.eye(3)) / np.sqrt(2))
    return float(turn), float(np.linalg.norm(transform(off, ends) - ends, axis=1).max())


def stepped(p: Array) -> Array:
    """The frame cut in the middle: the front half 3 mm further forward and 2 mm up."""
    return p + np.where(p[:, :1] > 600, np.array([[3.0, 0.0, 2.0]]), 0.0)


def test_nothing_moved() -> None:
    m, first, second = compared()
    turn, off = miss(m, first, second)
    assert turn < 0.005 and off < 0.1
    assert {s.found for s in m.shifts} == {"no movement above U"} and len(m.shifts) == 10
    assert all(abs(v.value) <= v.U for v in m.measures.values() if v.value is not None)
    assert len(m.rails) == 2 and all((np.abs(r.shift[:, 1:]) < r.U[:, 1:]).mean() > 0.9 for r in m.rails)


@pytest.mark.parametrize("start", [True, False])
def test_a_weld_s_pull_is_found_and_nothing_else(start: bool) -> None:
    """From the later scan's own datum, and from nothing."""
    m, first, second = compared(pulled, start=start)
    turn, off = miss(m, first, second)
    assert turn < 0.01 and off < 0.15
    (moved,) = [s for s in m.shifts if s.found == "moved"]
    assert moved.side == "R" and moved.position[0] == pytest.approx(420, abs=1)
    assert moved.shift == pytest.approx([0, 3.2, -2.4], abs=0.3)
    assert "mm inboard" in moved.words and "mm down" in moved.words and "right" in moved.words
    right = next(r for r in m.rails if r.side == "R")
    assert right.shift[np.argmin(np.abs(right.at[:, 0] - 420)), 1] > 2.0
    known = np.isfinite(m.map.distance)
    assert np.abs(m.map.distance[known]).max() > 2.5 and (np.abs(m.map.distance) < m.map.U)[known].mean() > 0.85


def test_bends_between_two_scans_even_those_a_single_scan_can_t_show() -> None:
    """Sag and length of both rails alike need the earlier scan; each mode by its definition, all at once."""

    def bend(p: Array) -> Array:
        s = (2 * p[:, 0] - LOW - HIGH) / (HIGH - LOW)
        turn = np.radians(0.3) / 2 * s
        q = p + np.column_stack([2.0 * p[:, 1] / GAUGE + 1.5 * s / 2, 3.0 * s**2, 2.5 * s**2])
        y, z = q[:, 1].copy(), q[:, 2].copy()
        return np.column_stack([q[:, 0], np.cos(turn) * y - np.sin(turn) * z, np.sin(turn) * y + np.cos(turn) * z])

    before, _ = earlier()
    clean, features, second = scanned(2, bend)
    unmoved = laid(before, clean, car(second), CompareSettings(unmoved=("0..1200",)))
    found = points(features, later_car(before.datum, unmoved), (), PointsSettings())
    m = compare(before, clean, features, found, unmoved, CompareSettings())
    ends = np.concatenate([r.at[:, 0] for r in m.rails])
    reach = np.ptp(ends) / (HIGH - LOW)
    expected = {"twist_deg": 0.3 * reach, "diamond_mm": 2.0, "sidesway_mm": 3.0 * reach**2, "sag_mm": 2.5 * reach**2}
    for name, value in expected.items():
        assert m.measures[name].value == pytest.approx(value, abs=max(0.25, m.measures[name].U or 0)), name
    assert m.measures["length_mm"].value == pytest.approx(1.5 * reach, abs=0.4)
    assert m.measures["mash_mm"].value == pytest.approx(0, abs=0.4)


def test_two_parts_that_each_kept_their_shape_are_refused_until_one_is_named() -> None:
    with pytest.raises(DataError, match="two parts of the chassis each kept their shape"):
        compared(stepped)
    m, *_ = compared(stepped, unmoved=("-900..550",))
    assert {s.name: s.found for s in m.shifts if s.position[0] < 550} == {
        s.name: "no movement above U" for s in m.shifts if s.position[0] < 550
    }
    front = [s for s in m.shifts if s.position[0] > 700]
    assert front and all(s.found == "moved" and s.shift == pytest.approx([3, 0, 2], abs=0.5) for s in front)


def test_a_rescan_of_one_corner_will_do() -> None:
    m, first, second = compared(keep=lambda p: (p[:, 0] > 1000) & (p[:, 1] > 0))
    seen = [s for s in m.shifts if s.found != "not scanned"]
    assert {s.name for s in seen} == {s.name for s in m.shifts if s.side == "L" and s.position[0] > 1000}
    assert all(s.found == "no movement above U" for s in seen)
    assert any("one side only" in n.text for n in m.notes)
    assert miss(m, first, second)[0] < 0.2


def test_limits_keep_a_guard_band_and_unknown_names_are_refused() -> None:
    m, *_ = compared(pulled, limit_mm=2.0, limits={"hole-f04-down-R": 4.0})
    by = {s.position[0].round(-1): s for s in m.shifts if s.side == "R"}
    bent = by[420.0]
    assert bent.verdict == {2.0: "outside", 4.0: "not proven"}[bent.limit_mm]
    assert by[1900.0].verdict == "within"
    stood, *_ = compared(pulled, limit_mm=2.0, stood_mm=1.0)
    assert {s.verdict for s in stood.shifts} == {"not proven"} and stood.assumed == ("drift", "supports")
    assert any("how the frame stood" in n.text and n.warning for n in stood.notes) and m.assumed == ("drift",)
    for a, b in zip(m.shifts, stood.shifts, strict=True):
        assert a.U_supports_mm == 0 and b.U_mm == pytest.approx(np.hypot(a.U_mm, b.U_supports_mm), rel=1e-3)
        assert 0 < b.U_drift_mm < b.U_mm and b.found == a.found
    with pytest.raises(UsageError, match="is called nonsense"):
        compared(limits={"nonsense": 1.0})
    with pytest.raises(UsageError, match="no such point in the earlier job"):
        compared(unmoved=("nonsense",))
    with pytest.raises(UsageError, match=r"from\.\.to"):
        compared(unmoved=("a..b",))


def test_another_chassis_is_refused() -> None:
    before, _ = earlier()
    rng = np.random.default_rng(5)
    side = np.eye(3)[rng.integers(0, 3, 20_000)] * rng.choice([-1.0, 1.0], 20_000)[:, None]
    box = np.where(side != 0, side, rng.uniform(-1, 1, side.shape)) * [700.0, 450.0, 300.0]
    clean = scanned(2)[0]
    other = replace(clean, thin=box, normals=side, flat=np.zeros(20_000), label=np.zeros(20_000, np.uint8))
    with pytest.raises(DataError, match=r"compare: the scans agree on \d % .* of one chassis"):
        laid(before, other, None, CompareSettings())


def test_one_side_alone_that_fits_two_ways_is_refused_not_guessed() -> None:
    """It was laid 414 mm off, turned by half a turn, its score 1 % over the right one's. Its own datum tells."""
    before, first = earlier()
    clean, features, second = scanned(2, pulled, clutter=0.3)
    part, _ = cut(clean, features, lambda p: (p[:, 0] > 300) & (p[:, 1] > 0), second)
    with pytest.raises(
        DataError, match=r"compare: two poses fit nearly alike \(scores .* 180 degrees and \d+ mm apart"
    ):
        laid(before, part, None, CompareSettings())
    pose = laid(before, part, car(second), CompareSettings()).pose
    off = transform(pose, part.thin) - transform(first @ invert(second), part.thin)
    assert np.linalg.norm(off, axis=1).max() < 0.5


def test_a_start_that_brings_most_together_and_contradicts_more_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    before, _ = earlier()
    lay = sys.modules["barerail.stages.compare.lay"]
    bad = Found(np.eye(4), Agreement(-0.1, 0.7, 0.1))
    monkeypatch.setattr(lay, "refined", lambda *_: bad)
    monkeypatch.setattr(lay, "search", lambda *_: [bad])
    with pytest.raises(DataError, match="compare: nowhere do the two scans agree more than they contradict"):
        laid(before, scanned(2)[0], None, CompareSettings())


def drawn(rows: Features, pose: Array) -> tuple[Wanted, ...]:
    """Places to the whole mm, turned and shifted: a drawing has its own axes."""
    named = points(rows, car(pose), (), PointsSettings()).points
    turn = some_pose(8)
    return tuple(
        Wanted(i, p.name, p.kind, tuple(transform(turn, p.position.round(0)).tolist())) for i, p in enumerate(named)
        if p.kind == "hole"
    )  # fmt: skip


def test_against_a_drawing() -> None:
    pose = some_pose(3)
    drawing = drawn(features_of(KICKED, straight, pose), pose)
    bent = replace(features_of(KICKED, pulled, pose), noise=QUIET)
    measured = points(bent, car(pose), (), PointsSettings())
    m = against(drawing, measured, car(pose), QUIET, CompareSettings(limit_mm=1.5))
    (moved,) = [s for s in m.shifts if s.found == "moved"]
    assert moved.size_mm == pytest.approx(4.0, abs=0.4) and moved.verdict == "outside"
    assert all(s.verdict == "within" for s in m.shifts if s is not moved)
    with pytest.raises(UsageError, match="4 or more are needed"):
        against(drawing[:2], measured, car(pose), QUIET, CompareSettings())


def test_in_iso_4130_the_same_shifts_with_the_signs_of_its_axes_and_the_same_words() -> None:
    before, _ = earlier()
    clean, features, second = scanned(2, pulled, clutter=0.3)
    turned = rearward(before.datum)
    first = {"clean": before.clean, "fit": before.features, "datum": before.datum, "points": before.points}
    other = first | {"datum": turned, "points": points_in(before.points, turned)}
    later = {"clean": clean, "fit": features, "datum": car(second)}
    settings = CompareSettings(unmoved=("-900..0",), limit_mm=1.0)
    m, datum_m, found_m = ran(first, later, settings, PointsSettings())
    settings = CompareSettings(unmoved=("0..900",), limit_mm=1.0)
    n, datum_n, found_n = ran(other, later | {"datum": rearward(car(second))}, settings, PointsSettings())
    assert (datum_m.axes, datum_n.axes) == ("iso8855", "iso4130")
    assert datum_n.car_from_scan == pytest.approx(rearward(datum_m).car_from_scan, abs=1e-9)
    for a, b in zip(m.shifts, n.shifts, strict=True):
        assert (a.name, a.side, a.found, a.verdict, a.words) == (b.name, b.side, b.found, b.verdict, b.words)
        assert b.position == pytest.approx(HALF_TURN @ a.position, abs=1e-6)
        assert b.shift == pytest.approx(HALF_TURN @ a.shift, abs=1e-6) and b.U_mm == pytest.approx(a.U_mm)
        assert b.cov == pytest.approx(HALF_TURN @ a.cov @ HALF_TURN, abs=1e-9)
    (moved,) = [s for s in n.shifts if s.found == "moved"]
    assert moved.side == "R" and moved.position[1] > 0 and moved.shift[1] == pytest.approx(-3.2, abs=0.3)
    assert "right" in moved.words and "mm inboard" in moved.words
    for a, b in zip(m.rails, n.rails, strict=True):
        assert a.side == b.side and b.at == pytest.approx(a.at @ HALF_TURN, abs=1e-6)
        assert b.shift == pytest.approx(a.shift @ HALF_TURN, abs=1e-6, nan_ok=True)
        assert b.roll_deg == pytest.approx(a.roll_deg, abs=1e-6)
    assert n.map.points == pytest.approx(m.map.points @ HALF_TURN, abs=1e-6)
    assert {k: v.value for k, v in n.measures.items()} == pytest.approx(
        {k: v.value for k, v in m.measures.items()}, abs=1e-6
    )
    for a, b in zip(found_m.points, found_n.points, strict=True):
        assert a.name == b.name and b.position == pytest.approx(HALF_TURN @ a.position, abs=1e-6)
    stretch = [re.search(r"x (-?\d+) to (-?\d+) mm, y (-?\d+) to (-?\d+)", k.notes[0].text).groups() for k in (m, n)]
    ahead, back = (list(map(float, part)) for part in stretch)
    assert back == [-ahead[1], -ahead[0], -ahead[3], -ahead[2]] and ahead[0] < -500


def test_a_rail_s_roll_is_counted_about_the_car_s_own_x_whichever_way_its_stations_point() -> None:
    """The later frame twisted 1 degree over its length: left side down at the rear, up at the front."""
    before, _ = earlier()
    clean, features, second = scanned(2, twisted(1.0))
    unmoved = laid(before, clean, car(second), CompareSettings(unmoved=("0..1200",)))
    flip = np.diag([-1.0, 1.0, -1.0])
    rails = tuple(
        replace(r, stations=tuple(replace(s, axes=flip @ s.axes) for s in r.stations)) for r in before.features.rails
    )
    for there in (before.features.rails, rails):
        budget = PoseBudget.of(unmoved, before.datum, QUIET, QUIET)
        found = rail_shifts(replace(before.features, rails=there), features, before.datum, unmoved.pose, budget)
        for r in found:
            assert r.roll_deg[r.at[:, 0] < -500].max() < -0.2 and r.roll_deg[r.at[:, 0] > 1700].min() > 0.2


def test_against_a_drawing_in_iso_4130() -> None:
    pose = some_pose(3)
    drawing = drawn(features_of(KICKED, straight, pose), pose)
    bent = replace(features_of(KICKED, pulled, pose), noise=QUIET)
    made = points(bent, car(pose), (), PointsSettings())
    ahead, turned = car(pose), rearward(car(pose))
    one, datum = against_drawing(drawing, {"datum": ahead, "points": made, "fit": bent}, CompareSettings())
    records = {"datum": turned, "points": points_in(made, turned), "fit": bent}
    other, same = against_drawing(drawing, records, CompareSettings())
    assert same.axes == "iso8855" and same.car_from_scan == pytest.approx(datum.car_from_scan, abs=1e-6)
    for a, b in zip(one.shifts, other.shifts, strict=True):
        assert (a.name, a.found, a.words) == (b.name, b.found, b.words)
        assert b.shift == pytest.approx(a.shift, abs=1e-6)


def shelf(features: Features, behind_mm: float = 0.0) -> Features:
    """The same with the first hole taken for a mounting face, or for the other face of its sheet."""
    f = features.found[0]
    side = -1.0 if behind_mm else 1.0
    face = replace(f, kind="face", diameter=np.nan, u_diameter=np.nan, point=f.point - behind_mm * f.axis,
                   axis=side * f.axis)  # fmt: skip
    return replace(features, found=(face, *features.found[1:]))


def test_a_face_seen_from_the_other_side_of_its_sheet_has_not_moved() -> None:
    clean, features, pose = scanned(1)
    features = shelf(features)
    before = Earlier(clean, features, car(pose), points(features, car(pose), (), PointsSettings()))
    later, found, second = scanned(2, clutter=0.3)
    found = shelf(found, 4.0)
    unmoved = laid(before, later, car(second), CompareSettings())
    after = points(found, later_car(before.datum, unmoved), (), PointsSettings())
    m = compare(before, later, found, after, unmoved, CompareSettings())
    (face,) = [s for s in m.shifts if s.kind == "face"]
    assert np.linalg.norm(face.shift) == pytest.approx(4.0, abs=0.3) and face.found == "no movement above U"
