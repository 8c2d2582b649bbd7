"""Straightness of frames bent by known amounts: values, uncertainties, reasons and verdicts."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from datum_case import GAUGE, KICKED, LEVEL, NOISE, features_of, some_pose, straight, twisted

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import invert
from barerail.outputs.words import straightness_words
from barerail.records import (
    Array,
    Datum,
    Feature,
    Features,
    MountPoint,
    MountPoints,
    NoiseModel,
    Pair,
    Rail,
    Station,
    Straightness,
)
from barerail.scene.faults import Drift
from barerail.settings import StraightnessSettings
from barerail.stages.straightness import straightness
from barerail.stages.straightness.bays import bays

QUIET = NoiseModel(0.1, 0.0, 5.0, 0.0, 0.0)
LOW, HIGH = -900.0, 2100.0
KNOWN = StraightnessSettings(supports_known=True)


def car(seed: int = 1) -> Datum:
    return Datum(invert(some_pose(seed)), np.eye(6) * 1e-8, "iso8855", "", "given", (), {}, {}, "mm", 1.0)


def bent(
    *, twist: float = 0.0, diamond: float = 0.0, sway: float = 0.0, sag: float = 0.0, yaw: float = 0.0
) -> Callable[[Array], Array]:
    """Modes by their usual definitions, s from -1 at the rear to 1 at the front; yaw in rad: the datum's own error."""
    turn = twisted(twist, LOW, HIGH)

    def bend(p: Array) -> Array:
        s = (2 * p[:, 0] - LOW - HIGH) / (HIGH - LOW)
        q = turn(p) + np.column_stack([diamond * p[:, 1] / GAUGE, sway * s**2, -sag * s**2])
        return q + np.column_stack([-yaw * q[:, 1], yaw * q[:, 0], np.zeros(len(q))])

    return bend


def measure(bend: Callable[[Array], Array] = straight, noise: NoiseModel = QUIET, **settings: object) -> Straightness:
    features = replace(features_of(KICKED, bend, some_pose(1)), noise=noise)
    return straightness(features, car(), StraightnessSettings(**settings))


def shaken(features: Features, rng: np.random.Generator, dz: Array, sd: float = 0.01) -> Features:
    """Station noise, and the left rail raised by dz[0] at the rear to dz[1] at the front, as drift would."""
    up = some_pose(1)[:3, 2]
    rails = []
    for side, rail in enumerate(features.rails):
        lift = np.linspace(dz[0], dz[1], len(rail.stations)) * (side == 0)
        stations = [
            replace(s, centre=s.centre + sd * (rng.normal(size=2) @ s.axes[1:]) + h * up)
            for s, h in zip(rail.stations, lift)
        ]
        rails.append(replace(rail, stations=tuple(stations)))
    return replace(features, rails=tuple(rails))


def value(s: Straightness, name: str) -> float:
    v = s.measures[name].value
    assert v is not None
    return v


def test_a_true_frame_has_nothing_to_show() -> None:
    s = measure()
    for name in ("twist_deg", "diamond_mm", "sidesway_mm", "sag_left_less_right_mm", "mash_mm", "rail_roll_left_deg"):
        assert value(s, name) == pytest.approx(0, abs=1e-6), name
    assert s.gauge_width_mm == pytest.approx(GAUGE, abs=1e-6)
    assert s.from_x_mm < LOW + 120 and s.to_x_mm > HIGH - 160


def test_the_worked_figure_of_a_twist() -> None:
    """4 mm at a corner, 800 mm gauge, 2500 mm apart: 0.286 degrees and 0.115 degrees per m (plain trigonometry)."""
    degrees = math.degrees(math.atan(4 / 800))
    assert degrees == pytest.approx(0.286, abs=5e-4)
    s = measure(twisted(degrees * (HIGH - LOW) / 2500, LOW, HIGH))
    share = (s.to_x_mm - s.from_x_mm) / 2500
    assert value(s, "twist_deg") == pytest.approx(degrees * share, abs=1e-3)
    assert value(s, "twist_mm") == pytest.approx(4 * share, abs=0.02)
    assert value(s, "twist_deg_per_m") == pytest.approx(0.115, abs=5e-4)


def test_left_higher_at_the_front_is_positive() -> None:
    s = measure(twisted(0.4, LOW, HIGH))
    front = max((p for p in s.stations if p.used), key=lambda p: p.x)
    assert front.left[2] > front.right[2] and value(s, "twist_deg") > 0
    assert value(s, "rail_roll_left_deg") == pytest.approx(value(s, "twist_deg"), abs=0.02)


@pytest.mark.parametrize("yaw", [0.0, 2e-3])
def test_all_modes_at_once(yaw: float) -> None:
    """Each comes out as put in, over the stretch used, whatever the datum's own yaw is."""
    s = measure(bent(twist=0.3, diamond=3.0, sway=4.0, sag=5.0, yaw=yaw))
    reach = (s.to_x_mm - s.from_x_mm) / (HIGH - LOW)
    assert value(s, "twist_deg") == pytest.approx(0.3 * reach, abs=0.003)
    # the kicked-up front lies above the axis of the twist, which moves its centreline by 0.2 mm to the side
    assert value(s, "diamond_mm") == pytest.approx(3.0, abs=0.2)
    assert value(s, "sidesway_mm") == pytest.approx(4.0 * reach**2, abs=0.2)
    assert value(s, "sag_left_less_right_mm") == pytest.approx(0, abs=0.02)
    assert value(s, "mash_mm") == pytest.approx(0, abs=0.05)


def test_a_shorter_right_rail_is_mash() -> None:
    def shorter(p: Array) -> Array:
        return p - np.column_stack([np.where(p[:, 1] < 0, 4.0 * (p[:, 0] - LOW) / (HIGH - LOW), 0.0), 0 * p[:, :2]])

    s = measure(shorter)
    assert value(s, "mash_mm") == pytest.approx(4.0 * (s.to_x_mm - s.from_x_mm) / (HIGH - LOW), abs=0.05)


def test_one_sided_sag_shows_and_an_even_one_is_never_zero() -> None:
    def left_down(p: Array) -> Array:
        s = (2 * p[:, 0] - LOW - HIGH) / (HIGH - LOW)
        return p + np.column_stack([0 * p[:, :2], np.where(p[:, 1] > 0, 3.0 * (s**2 - 1), 0.0)])

    s = measure(left_down)
    reach = (s.to_x_mm - s.from_x_mm) / (HIGH - LOW)
    assert value(s, "sag_left_less_right_mm") == pytest.approx(3.0 * reach**2, abs=0.05)
    assert s.measures["sag_mm"].value is None and "drawing" in s.measures["sag_mm"].reason


@pytest.mark.parametrize("ahead", [20.0, 40.0, 70.0])
def test_kicks_make_no_twist(ahead: float) -> None:
    """Rails whose stations lie at other x each: reading on across a kick would be a mm off."""
    features = replace(features_of(KICKED, straight, some_pose(1), right_ahead=ahead), noise=QUIET)
    s = straightness(features, car(), KNOWN)
    assert abs(value(s, "twist_deg")) < 0.003
    assert max(abs(p.twist_deg) for p in s.stations if p.used) < 0.02
    assert sum(p.used for p in s.stations) >= 0.85 * len(s.stations)


def test_a_bent_station_is_left_out() -> None:
    features = features_of(LEVEL, straight, some_pose(1))
    left = list(features.rails[0].stations)
    left[10] = replace(left[10], centre=left[10].centre + 0.25 * some_pose(1)[:3, 2])
    rails = (replace(features.rails[0], stations=tuple(left)), features.rails[1])
    s = straightness(replace(features, rails=rails, noise=QUIET), car(), KNOWN)
    assert abs(value(s, "twist_deg")) < 1e-4
    assert sum(not p.used for p in s.stations) == 1


def test_drift_is_in_u_and_its_share_apart() -> None:
    """What grows along the car: two cross readings, each (b W)^2, front less rear: by hand, b = 0.2 mm/m, W = 0.8 m."""
    by_hand = 2 * math.degrees(math.sqrt(2) * 0.2 * 0.8 / 800)
    growing = NoiseModel(0.1, 0.0, 5.0, 0.0, 0.2)
    quiet, drifting = (measure(noise=n, supports_known=True) for n in (QUIET, growing))
    assert drifting.measures["twist_deg"].U_drift == pytest.approx(by_hand, rel=1e-3)
    assert quiet.measures["twist_deg"].U_drift == 0
    small, large = (s.measures["twist_deg"].U or 0.0 for s in (quiet, drifting))
    assert 0 < small < 0.004 and large == pytest.approx(math.hypot(small, by_hand), rel=1e-3)


def test_drift_of_a_simulated_scanner_is_covered_and_no_more() -> None:
    """50 scans of a true frame, waves of 1.5 to 6 m and 0.08 mm each way, its size set as what it is."""
    noise, z = NoiseModel(0.1, 0.0, 5.0, 0.08, 0.0), []
    names = ("twist_deg", "sidesway_mm", "diamond_mm", "sag_left_less_right_mm", "mash_mm")
    for seed in range(50):
        s = measure(Drift(0.08, np.random.default_rng([seed, 41])), noise, supports_known=True)
        z.append([value(s, n) / (s.measures[n].U_drift or 0.0) for n in names])
    inside, rms = np.mean(np.abs(z) < 1), 2 * np.sqrt(np.mean(np.square(z), axis=0))
    assert 0.90 < inside < 0.99
    assert np.all(rms > 0.6) and np.all(rms < 1.3), dict(zip(names, rms))


def test_u_of_the_twist_covers() -> None:
    """200 scans whose left-right heights drift as the setting says, at both ends: k = 2 holds 90 to 99 %."""
    rng = np.random.default_rng(11)
    features = replace(features_of(LEVEL, straight, some_pose(1)), noise=NOISE)
    sd = math.sqrt(2 * NOISE.drift_mm**2 + (NOISE.drift_mm_per_m * GAUGE / 1000) ** 2)
    z = []
    for _ in range(200):
        s = straightness(shaken(features, rng, sd * rng.normal(size=2)), car(), KNOWN)
        z.append(value(s, "twist_deg") / (s.measures["twist_deg"].U or 0.0))
    assert 0.90 < np.mean(np.abs(z) < 1) < 0.99
    assert abs(np.mean(z)) < 0.1


def test_u_without_drift_covers_station_noise() -> None:
    rng = np.random.default_rng(12)
    features = replace(features_of(LEVEL, straight, some_pose(1)), noise=QUIET)
    names = ("twist_deg", "sidesway_mm", "sag_left_less_right_mm")
    z = []
    for _ in range(200):
        s = straightness(shaken(features, rng, np.zeros(2)), car(), KNOWN)
        z.append([value(s, n) / (s.measures[n].U or 0.0) for n in names])
    cover = np.mean(np.abs(z) < 1, axis=0)
    assert np.all(cover > 0.92) and np.all(cover < 0.998)


def channel(rail: Rail, inner: int) -> Rail:
    """The same rail with its sideways pair seen from one face alone, the centre read off that face."""
    seen = (True, False, True, True) if inner == 0 else (False, True, True, True)
    cov = np.diag([50.0**2, 1e-4, 1e-7, 50.0**2, 4e-4])
    shift = 30.0 if inner == 0 else -30.0

    def face(s: Station) -> Station:
        return replace(s, centre=s.centre + shift * s.axes[1], size=(math.nan, 100.0), cov=cov, seen=seen)

    return replace(rail, section="channel", stations=tuple(face(s) for s in rail.stations))


def test_channels_give_all_but_the_gauge() -> None:
    features = replace(features_of(KICKED, bent(twist=0.2, sway=2.0), some_pose(1)), noise=QUIET)
    rails = (channel(features.rails[0], 0), channel(features.rails[1], 1))
    s = straightness(replace(features, rails=rails), car(), KNOWN)
    whole = straightness(features, car(), KNOWN)
    assert value(s, "sidesway_mm") == pytest.approx(value(whole, "sidesway_mm"), abs=0.02)
    assert (s.measures["sidesway_mm"].U or 9) < 0.1 and (s.measures["diamond_mm"].U or 9) < 1
    assert value(s, "twist_mm") / s.gauge_width_mm == pytest.approx(value(whole, "twist_mm") / GAUGE, rel=0.1)
    assert (s.measures["gauge_width_mm"].U or 0) > 50 and "never seen" in s.measures["gauge_width_mm"].reason


def test_tubes_show_no_roll() -> None:
    features = features_of(LEVEL, twisted(0.3, -1500, 1500), some_pose(1))
    tubes = tuple(replace(r, section="tube") for r in features.rails)
    s = straightness(replace(features, rails=tubes), car(), KNOWN)
    assert s.measures["rail_roll_left_deg"].value is None and "no roll" in s.measures["rail_roll_left_deg"].reason
    assert value(s, "twist_deg") > 0.25


def test_a_rail_in_two_pieces_counts_as_one() -> None:
    features = features_of(KICKED, twisted(0.3, LOW, HIGH), some_pose(1))
    left = features.rails[0].stations
    pieces = tuple(Rail("box", part) for part in (left[:14], left[16:][::-1]))
    s = straightness(replace(features, rails=(features.rails[1], *pieces)), car(), KNOWN)
    whole = straightness(features, car(), KNOWN)
    assert value(s, "twist_deg") == pytest.approx(value(whole, "twist_deg"), abs=0.01)


def test_without_two_rails_everything_has_a_reason() -> None:
    features = features_of(KICKED, straight, some_pose(1))
    s = straightness(replace(features, rails=features.rails[:1]), car(), StraightnessSettings(limits={"twist_mm": 3.0}))
    assert all(m.value is None and "left and a right rail" in m.reason for m in s.measures.values())
    assert s.verdicts == {"twist_mm": "not proven"}
    assert any(n.warning for n in s.notes)


def test_few_pairs_leave_diamond_open() -> None:
    features = features_of(KICKED, straight, some_pose(1))
    s = straightness(replace(features, found=features.found[:4]), car(), KNOWN)
    assert s.measures["diamond_mm"].value is None and "4 left/right pairs" in s.measures["diamond_mm"].reason


def test_an_odd_pair_doesn_t_make_a_diamond() -> None:
    features = features_of(KICKED, straight, some_pose(1))
    odd: Feature = features.found[2]
    found = (*features.found[:2], replace(odd, point=odd.point + 6 * some_pose(1)[:3, 0]), *features.found[3:])
    s = straightness(replace(features, found=found, noise=QUIET), car(), KNOWN)
    assert abs(value(s, "diamond_mm")) < 0.1


def test_verdicts_keep_a_guard_band() -> None:
    s = measure(twisted(0.2, LOW, HIGH), NOISE, supports_known=True)
    size, u = value(s, "twist_mm"), s.measures["twist_mm"].U or 0.0
    for limit, verdict in ((size + 1.1 * u, "within"), (size + 0.9 * u, "not proven"), (size - 0.9 * u, "not proven"),
                           (size - 1.1 * u, "outside")):  # fmt: skip
        known = measure(twisted(0.2, LOW, HIGH), NOISE, limits={"twist_mm": limit}, supports_known=True)
        assert known.verdicts == {"twist_mm": verdict}
        unknown = measure(twisted(0.2, LOW, HIGH), NOISE, limits={"twist_mm": limit})
        assert unknown.verdicts == {"twist_mm": "not proven"}
    assert measure().verdicts == {} and measure().assumed == ("drift", "supports")
    assert measure(supports_known=True).assumed == ("drift",)


def test_a_limit_on_nothing_is_refused_with_the_nearest_names() -> None:
    with pytest.raises(UsageError, match=r"'twist' is no measure; did you mean twist_"):
        measure(limits={"twist": 3.0})


def test_a_section_that_was_not_seen_well_enough_is_left_out_and_said() -> None:
    """A centre that no pair of faces holds, here 30 mm off with u of 50 mm, must not stand among the others."""
    features = replace(features_of(KICKED, straight, some_pose(1)), noise=QUIET)
    left, right = features.rails
    odd = left.stations[5]
    loose = replace(odd, centre=odd.centre + 30 * odd.axes[2], cov=odd.cov + np.diag([2500.0, 2500.0, 0, 0, 0]))
    stations = (*left.stations[:5], loose, *left.stations[6:])
    s = straightness(replace(features, rails=(replace(left, stations=stations), right)), car(), KNOWN)
    assert sum(not p.used for p in s.stations) == 1
    assert any("hold its centre" in n.text and n.count == 1 for n in s.notes)
    assert value(s, "twist_deg") == pytest.approx(0, abs=1e-6)
    assert s.gauge_width_mm == pytest.approx(GAUGE, abs=1e-6)


def test_unknown_supports_are_in_the_twist_s_u_and_their_share_apart() -> None:
    """One corner's height is open by elastic_mm: by hand atan(1 mm / 800 mm), k = 2."""
    known, unknown = measure(supports_known=True), measure()
    by_hand = 2 * math.degrees(1.0 / GAUGE)
    share = unknown.measures["twist_deg"].U_supports
    assert share == pytest.approx(by_hand, rel=1e-3) and known.measures["twist_deg"].U_supports is None
    u = [s.measures["twist_deg"].U or 0.0 for s in (known, unknown)]
    assert u[1] == pytest.approx(math.hypot(u[0], by_hand), rel=1e-3)
    assert unknown.measures["twist_mm"].U_supports == pytest.approx(2.0, rel=0.01)


def named(x: float, y: float, dx: float = 0.0, z: float = 0.0) -> MountPoint:
    name = f"p{x:.0f}{'-L' if y > 0 else '-R'}"
    small, none = 1e-4 * np.eye(3), float("nan")
    return MountPoint(
        name, "hole", name[-1], "", np.array([x + dx, y, z]), np.array([0, 0, 1.0]), 10.0, none, small, small,
        small, np.zeros((3, 6)), 0.01, none, 360.0, 100, 0.1, "measured", "", "up",
    )  # fmt: skip


def paired(points: list[MountPoint]) -> MountPoints:
    lefts, rights = points[::2], points[1::2]
    pairs = tuple(Pair(a.name, b.name, np.zeros(3), np.eye(3)) for a, b in zip(lefts, rights))
    return MountPoints(tuple(points), pairs)


def test_bays_read_as_a_tape_does() -> None:
    """A skewed rectangle L = 2500, W = 800 with D = 3 mm: rail shift 1.57 mm; D = 6: 3.15 mm (trade geometry, derived
    from the rectangle's diagonals; from memory as to who teaches it)."""
    for ahead, difference in ((1.575, 3.0), (3.15, 6.0)):
        points = [named(0, 400, ahead / 2), named(0, -400, -ahead / 2), named(2500, 400, ahead / 2),
                  named(2500, -400, -ahead / 2)]  # fmt: skip
        (bay,) = bays(paired(points), QUIET)
        assert bay.difference_mm == pytest.approx(difference, abs=0.01)
        assert bay.ahead_mm == pytest.approx(ahead, abs=0.01)
        assert [r.length_mm for r in bay.readings[:2]] == pytest.approx([2500, 2500])


def test_a_pure_twist_leaves_the_diagonals_of_a_bay_equal() -> None:
    """A cross-check with a tape cannot see twist (trade geometry: both diagonals change alike)."""
    points = [named(0, 400, z=2), named(0, -400, z=-2), named(2500, 400, z=-2), named(2500, -400, z=2)]
    (bay,) = bays(paired(points), QUIET)
    assert bay.difference_mm == pytest.approx(0, abs=1e-9)
    assert bay.readings[4].length_mm == pytest.approx(bay.readings[5].length_mm, abs=1e-9)


def test_where_the_twist_sits() -> None:
    """All of it between x = 400 and 700, or spread over the whole length, or none."""

    def broken(p: Array) -> Array:
        turn = np.radians(0.3) * np.clip((p[:, 0] - 400) / 300, 0, 1)
        y, z = p[:, 1], p[:, 2] - 50.0
        turned = [np.cos(turn) * y - np.sin(turn) * z, np.sin(turn) * y + np.cos(turn) * z + 50.0]
        return np.column_stack([p[:, 0], *turned])

    rng = np.random.default_rng(4)
    features = replace(features_of(KICKED, broken, some_pose(1)), noise=QUIET)
    s = straightness(shaken(features, rng, np.zeros(2), 0.05), car(), KNOWN)
    assert s.sits_mm is not None and s.sits_mm[0] == pytest.approx(400, abs=160)
    assert s.sits_mm[1] == pytest.approx(700, abs=160)
    even = replace(features_of(KICKED, twisted(0.3, LOW, HIGH), some_pose(1)), noise=QUIET)
    whole = straightness(shaken(even, rng, np.zeros(2), 0.05), car(), KNOWN)
    assert whole.sits_mm == (whole.from_x_mm, whole.to_x_mm)
    none = straightness(shaken(features_of(KICKED, straight, some_pose(1)), rng, np.zeros(2), 0.05), car(), KNOWN)
    assert none.sits_mm is None


def test_ends_against_a_reference_section() -> None:
    """The front bent to the left by 5 mm beyond x = 900, the rear taken as undamaged; the kick-up hides its sag."""

    def hit(p: Array) -> Array:
        return p + np.column_stack([0 * p[:, 0], 5.0 * np.clip((p[:, 0] - 900) / 1200, 0, 1), 0 * p[:, 0]])

    s = measure(hit, supports_known=True, reference="-900..600")
    assert value(s, "sidesway_front_mm") == pytest.approx(5 * (s.to_x_mm - 900) / 1200, abs=0.05)
    assert value(s, "twist_front_deg") == pytest.approx(0, abs=1e-3)
    assert s.measures["sag_left_front_mm"].value is None and "by design" in s.measures["sag_left_front_mm"].reason
    for side in ("left", "right"):
        assert value(s, f"sidesway_{side}_front_mm") == pytest.approx(value(s, "sidesway_front_mm"), abs=0.02)
    rear = [m for name, m in s.measures.items() if "_rear_" in name]
    assert len(rear) == 7 and all(m.value is None and "lies in the reference section" in m.reason for m in rear)
    with pytest.raises(UsageError, match=r"rear, front, or a stretch"):
        measure(reference="middle")
    with pytest.raises(DataError, match="holds 0 stations"):
        measure(reference="5000..6000")


def test_sag_of_a_level_rail_against_its_own_middle() -> None:
    def dropped(p: Array) -> Array:
        return p - np.column_stack([0 * p[:, :2], 4.0 * (np.clip((p[:, 0] - 500) / 1000, 0, 1)) * (p[:, 1] > 0)])

    features = replace(features_of(LEVEL, dropped, some_pose(1)), noise=QUIET)
    s = straightness(features, car(), StraightnessSettings(supports_known=True, reference="-1500..400"))
    front = s.to_x_mm
    assert value(s, "sag_left_front_mm") == pytest.approx(4 * (front - 500) / 1000, abs=0.05)
    assert value(s, "sag_right_front_mm") == pytest.approx(0, abs=0.01)
    assert value(s, "sag_left_less_right_front_mm") == pytest.approx(value(s, "sag_left_front_mm"), abs=0.02)
    assert value(s, "sidesway_front_mm") == pytest.approx(0, abs=0.01)
    alone = straightness(features, car(), KNOWN)
    assert value(alone, "sag_left_less_right_front_mm") == pytest.approx(4 * (front - 500) / 1000, abs=0.2)
    for name in ("sag_left_front_mm", "sag_right_front_mm", "sidesway_left_rear_mm", "twist_front_deg"):
        assert alone.measures[name].value is None and "--reference" in alone.measures[name].reason
    loose = straightness(features, car(), StraightnessSettings(reference="-1500..400")).measures["sag_left_front_mm"]
    assert loose.U_supports == pytest.approx(2.0) and (loose.U or 0) > 2.0


def test_each_end_s_sidesway_without_a_reference_is_off_the_rest_of_the_frame() -> None:
    """The last 500 mm at the front bent to the left, the rear true; on kicked-up rails sag is said to mean nothing."""

    def hit(p: Array) -> Array:
        return p + np.column_stack([0 * p[:, 0], 5.0 * np.clip((p[:, 0] - 1600) / 500, 0, 1), 0 * p[:, 0]])

    s = measure(hit, supports_known=True)
    assert value(s, "sidesway_front_mm") == pytest.approx(5 * (s.to_x_mm - 1600) / 500, abs=0.05)
    assert value(s, "sidesway_rear_mm") == pytest.approx(0, abs=0.5)
    assert (s.measures["sidesway_front_mm"].U or 9) < 0.2
    assert "means nothing by itself" in s.measures["sag_left_front_mm"].reason
    words = " ".join(straightness_words(s).split())
    assert "sag means nothing by itself: needs a section that you take as undamaged (--reference)" in words
    assert "sidesway rear, sidesway front: how far that end of the centreline lies to the left" in words


def test_drift_at_each_end_is_covered() -> None:
    noise, z = NoiseModel(0.1, 0.0, 5.0, 0.08, 0.0), []
    names = [f"{what}_front_mm" for what in ("sidesway", "sag_left_less_right", "sidesway_left", "sag_right")]
    for seed in range(50):
        features = replace(
            features_of(LEVEL, Drift(0.08, np.random.default_rng([seed, 43])), some_pose(1)), noise=noise
        )
        s = straightness(features, car(), StraightnessSettings(supports_known=True, reference="-1500..0"))
        z.append([value(s, n) / (s.measures[n].U_drift or 0.0) for n in names])
    assert 0.90 < np.mean(np.abs(z) < 1) < 0.99
