"""Straightness of frames bent by known amounts: values and reasons."""

import math
from dataclasses import replace

import numpy as np
import pytest
from datum_case import GAUGE, KICKED, LEVEL, features_of, some_pose, straight, twisted
from straightness_case import HIGH, KNOWN, LOW, QUIET, bent, car, measure, value

from barerail.errors import UsageError
from barerail.records import (
    Array,
    Feature,
    Rail,
    Station,
)
from barerail.settings import StraightnessSettings
from barerail.stages.straightness import straightness


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
    # the twist's axis lies lower than the mean rail, which yaws the centreline against the pairs: in U
    assert 0.02 < abs(value(s, "diamond_mm") - 3.0) < (s.measures["diamond_mm"].U or 0)
    assert value(s, "sidesway_mm") == pytest.approx(4.0 * reach**2, abs=0.01)
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


def test_twist_moves_kicked_up_ends_aside_and_that_is_no_sidesway() -> None:
    """1 degree over the length: the front, 80 mm up, lies 0.7 mm to the right of where it was."""
    twisted_ = measure(bent(twist=1.0), QUIET)
    assert abs(value(twisted_, "sidesway_mm")) < 0.03
    swayed = measure(bent(twist=1.0, sway=3.0), QUIET)
    assert value(swayed, "sidesway_mm") == pytest.approx(value(measure(bent(sway=3.0), QUIET), "sidesway_mm"), abs=0.03)


def test_twist_lifts_more_where_the_frame_is_wider_and_that_is_no_sag() -> None:
    """Rails that run out by a fifth towards the front: 0.9 mm of its lift would be read as sag."""
    turned = bent(twist=1.0)

    def flared(p: Array) -> Array:
        s = (2 * p[:, 0] - LOW - HIGH) / (HIGH - LOW)
        return turned(p * np.column_stack([np.ones_like(s), 1 + 0.2 * np.maximum(s, 0) ** 2, np.ones_like(s)]))

    assert abs(value(measure(flared, QUIET), "sag_left_less_right_mm")) < 0.1


def test_a_bent_station_is_left_out() -> None:
    features = features_of(LEVEL, straight, some_pose(1))
    left = list(features.rails[0].stations)
    left[10] = replace(left[10], centre=left[10].centre + 0.25 * some_pose(1)[:3, 2])
    rails = (replace(features.rails[0], stations=tuple(left)), features.rails[1])
    s = straightness(replace(features, rails=rails, noise=QUIET), car(), KNOWN)
    assert abs(value(s, "twist_deg")) < 1e-4
    assert sum(not p.used for p in s.stations) == 1


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


def test_what_an_unseen_side_leaves_open_is_in_u() -> None:
    """Middles that are read 30 mm too far out on both sides: diamond, at that width, is that much off; the twist is so
    only where the sections don't roll with the frame."""
    features = replace(features_of(KICKED, bent(twist=0.8, diamond=4.0), some_pose(1)), noise=QUIET)
    rails = (channel(features.rails[0], 0), channel(features.rails[1], 1))
    s, whole = (straightness(f, car(), KNOWN) for f in (replace(features, rails=rails), features))
    assert abs(s.gauge_width_mm - whole.gauge_width_mm) == pytest.approx(60.0, abs=0.1)
    assert value(s, "twist_deg") == pytest.approx(value(whole, "twist_deg"), abs=1e-6)
    assert (s.measures["twist_deg"].U or 9) < 0.01
    off = abs(value(s, "twist_mm") - value(whole, "twist_mm"))
    assert 0.5 < off < (s.measures["twist_mm"].U or 0) < 6 * off
    off = abs(value(s, "diamond_mm") - value(whole, "diamond_mm"))
    assert 0.2 < off < (s.measures["diamond_mm"].U or 0) < 6 * off
    stiff = tuple(replace(r, stations=tuple(_unrolled(c, k) for c in r.stations)) for r, k in zip(rails, (30, -30)))
    odd = straightness(replace(features, rails=stiff), car(), KNOWN)
    off = abs(value(odd, "twist_deg") - value(whole, "twist_deg"))
    assert 0.02 < off < (odd.measures["twist_deg"].U or 0) < 6 * off
    assert odd.measures["twist_deg_per_m"].U / odd.measures["twist_deg"].U == pytest.approx(
        value(odd, "twist_deg_per_m") / value(odd, "twist_deg")
    )


def _unrolled(s: Station, out: float) -> Station:
    """The station with its section upright, its middle read `out` mm off, level."""
    level, up = some_pose(1)[:3, 1], some_pose(1)[:3, 2]
    return replace(s, axes=np.array([s.axes[0], level, up]), centre=s.centre + out * (level - s.axes[1]))


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
