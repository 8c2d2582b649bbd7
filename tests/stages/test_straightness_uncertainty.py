"""U of how a bent frame reads: drift, station noise, supports, and the verdicts that rest on it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from datum_case import GAUGE, LEVEL, NOISE, features_of, some_pose, straight, twisted
from straightness_case import HIGH, KNOWN, LOW, QUIET, car, measure, shaken, value

from barerail.records import (
    NoiseModel,
)
from barerail.scene.faults import Drift
from barerail.stages.straightness import straightness


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


def test_unknown_supports_are_in_the_twist_s_u_and_their_share_apart() -> None:
    """One corner's height is open by elastic_mm: by hand atan(1 mm / 800 mm), k = 2."""
    known, unknown = measure(supports_known=True), measure()
    by_hand = 2 * math.degrees(1.0 / GAUGE)
    share = unknown.measures["twist_deg"].U_supports
    assert share == pytest.approx(by_hand, rel=1e-3) and known.measures["twist_deg"].U_supports is None
    u = [s.measures["twist_deg"].U or 0.0 for s in (known, unknown)]
    assert u[1] == pytest.approx(math.hypot(u[0], by_hand), rel=1e-3)
    assert unknown.measures["twist_mm"].U_supports == pytest.approx(2.0, rel=0.01)
