"""Each end of a frame against a reference section, or against the rest of it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from datum_case import LEVEL, features_of, some_pose
from straightness_case import HIGH, KNOWN, QUIET, car, measure, value

from barerail.errors import DataError, UsageError
from barerail.outputs.words import straightness_words
from barerail.records import Array, NoiseModel
from barerail.scene.faults import Drift
from barerail.settings import StraightnessSettings
from barerail.stages.straightness import straightness


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
    assert value(alone, "sag_left_less_right_mm") < 0
    for name in ("sag_left_front_mm", "sag_right_front_mm", "sidesway_left_rear_mm", "twist_front_deg"):
        assert alone.measures[name].value is None and "--reference" in alone.measures[name].reason
    loose = straightness(features, car(), StraightnessSettings(reference="-1500..400")).measures["sag_left_front_mm"]
    assert loose.U_supports == pytest.approx(2.0) and (loose.U or 0) > 2.0


def test_each_end_s_sidesway_without_a_reference_is_off_the_rest_of_the_frame() -> None:
    """The last 300 mm at the front bent to the left, the rear true; on kicked-up rails sag is said to mean nothing."""

    def hit(p: Array) -> Array:
        return p + np.column_stack([0 * p[:, 0], 5.0 * np.clip((p[:, 0] - 1800) / 300, 0, 1), 0 * p[:, 0]])

    s = measure(hit, supports_known=True)
    assert value(s, "sidesway_front_mm") == pytest.approx(5 * (s.to_x_mm - 1800) / 300, abs=0.05)
    assert value(s, "sidesway_rear_mm") == pytest.approx(0, abs=0.01)
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


def test_an_end_is_not_judged_off_a_rest_that_holds_the_bend() -> None:
    """The front bent by 4 mm from so far back that the rear's two thirds bend too: the true rear must not be blamed."""

    def hit(since: float) -> Callable[[Array], Array]:
        def bend(p: Array) -> Array:
            share = np.clip((p[:, 0] - since) / (HIGH - since), 0, 1)
            return p + np.column_stack([0 * share, 4.0 * share, -3.0 * share * (p[:, 1] > 0)])

        return bend

    limits = {f"{what}_{end}_mm": 0.5 for what in ("sidesway", "sag_left_less_right") for end in ("rear", "front")}
    for since in (600.0, 1000.0, 1400.0):
        s = measure(hit(since), supports_known=True, limits=limits)
        for name in ("sidesway_rear_mm", "sag_left_less_right_rear_mm"):
            assert s.measures[name].value is None and "isn't straight, and one scan" in s.measures[name].reason
        assert set(s.verdicts.values()) == {"not proven"}
        named = measure(hit(since), supports_known=True, limits=limits, reference="-900..500")
        assert named.verdicts["sidesway_front_mm"] == "outside"
        assert value(named, "sidesway_front_mm") == pytest.approx(4 * (s.to_x_mm - since) / (HIGH - since), abs=0.05)


def test_without_a_reference_no_verdict_on_an_end_is_proven() -> None:
    """One scan can't say which of two straight parts at an angle is the bent one."""
    s = measure(supports_known=True, limits={"sidesway_rear_mm": 5.0, "sidesway_mm": 5.0})
    assert abs(value(s, "sidesway_rear_mm")) < 0.01
    assert s.verdicts == {"sidesway_rear_mm": "not proven", "sidesway_mm": "within"}
    assert any("which end is bent" in n.text and n.warning for n in s.notes)
    quiet = measure(supports_known=True, limits={"sidesway_rear_mm": 5.0}, reference="front")
    assert quiet.verdicts == {"sidesway_rear_mm": "within"}
    assert not any("which end is bent" in n.text for n in quiet.notes)
