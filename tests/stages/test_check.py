"""Check: lengths measured by hand against points whose places and uncertainties were put in."""

import numpy as np
import pytest

from barerail.errors import DataError, UsageError
from barerail.records import Measured, MountPoint, MountPoints, NoiseModel
from barerail.settings import CheckSettings
from barerail.stages.check import check, check_length

NOISE = NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2)
SETTINGS = CheckSettings()


def at(name: str, *place: float, state: str = "measured") -> MountPoint:
    local = 0.05**2 * np.eye(3)
    return MountPoint(
        name, "hole", "L", "", np.array(place), np.array([0.0, 0, 1]), 10.0, 4.0, np.eye(3), local, np.eye(3),
        np.zeros((3, 6)), 0.1, 0.1, 360.0, 100, 0.1, state, "",
    )  # fmt: skip


POINTS = MountPoints((at("a", 0, 0, 0), at("b", 1250, 0, 0), at("a-b", 0, 800, 0), at("b-c", 0, 0, 600),
                      at("gone", np.nan, 0, 0, state="missing")), ())  # fmt: skip


def row(a: str, b: str, length: float, u: float | None = None) -> Measured:
    return Measured("tape.csv line 2", a, b, length, u)


def test_joint_U_is_of_hand_both_fits_and_drift_the_datum_has_no_share():
    (one,) = check(POINTS, NOISE, [row("a", "b", 1250.6, 0.5)], SETTINGS).rows
    drift = 2 * 0.05**2 + (0.2 * 1.25) ** 2
    assert one.U_mm == pytest.approx(np.hypot(2 * np.sqrt(2 * 0.05**2 + drift), 0.5))
    assert one.expected_mm == 1250.0 and one.agrees
    (off,) = check(POINTS, NOISE, [row("a", "b", 1251.0, 0.5)], SETTINGS).rows
    assert not off.agrees
    (tape,) = check(POINTS, NOISE, [row("a", "b", 1251.0)], SETTINGS).rows
    assert tape.agrees and tape.U_mm > one.U_mm


def test_nothing_measured_is_not_checked_and_a_disagreement_fails():
    assert check(POINTS, NOISE, [], SETTINGS).state == "not checked"
    good, bad = row("a", "b", 1250.2), row("a", "a-b", 812.0)
    assert check(POINTS, NOISE, [good], SETTINGS).state == "passed"
    assert check(POINTS, NOISE, [good, bad], SETTINGS).state == "failed"


def test_a_length_too_short_to_tell_the_scale_proves_nothing():
    near = MountPoints((at("p", 0, 0, 0), at("q", 100, 0, 0)), ())
    found = check(near, NOISE, [row("p", "q", 100.2)], SETTINGS)
    assert found.state == "not proven" and found.U_scale > 0.01
    assert [n.text for n in found.notes] == ["only 1 of the 3 hand measurements: one long, one across, one diagonal"]


def test_scale_is_hand_over_scan_and_its_U_covers():
    true, rng = 1.003, np.random.default_rng(1)
    names = [("a", "b", 1250.0), ("a", "a-b", 800.0), ("a", "b-c", 600.0), ("b", "a-b", float(np.hypot(1250, 800)))]
    hits = 0
    for _ in range(400):
        # A drift of 0.2 mm per m is a scale of its own to each length.
        drift = [np.sqrt(2 * (0.05**2 + 0.05**2) + (0.2 * length / 1000) ** 2) for _, _, length in names]
        rows = [
            row(a, b, true * (length + d * rng.normal()) + 0.25 * rng.normal(), 0.5)
            for (a, b, length), d in zip(names, drift)
        ]
        found = check(POINTS, NOISE, rows, SETTINGS)
        hits += abs(found.scale - true) <= found.U_scale
    assert 0.92 < hits / 400 < 0.98


@pytest.mark.parametrize(
    ("text", "names", "want"),
    [
        ("a-b=1250.0", ("a", "b"), ("a", "b", 1250.0, None)),
        ("hole-f10-L-hole-f10-R=700", ("hole-f10-L", "hole-f10-R", "hole"), ("hole-f10-L", "hole-f10-R", 700.0, None)),
        ("a-b=49.2126in", ("a", "b"), ("a", "b", 1250.00004, None)),
        ("a-b=1250.0+-0.3", ("a", "b"), ("a", "b", 1250.0, 0.3)),
        ("a-b=1.25±0.001 m", ("a", "b"), ("a", "b", 1250.0, 1.0)),
    ],
)
def test_check_length_with_dashes_units_and_U(text, names, want):
    found = check_length(text, names)
    assert (found.a, found.b, found.given) == (*want[:2], "--scale-check")
    assert found.length_mm == pytest.approx(want[2]) and found.U_mm == (want[3] and pytest.approx(want[3]))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a-b", "--scale-check 'a-b': give two point names and a length in mm, like hole-f10-L-hole-r7-R=1250.0"),
        ("a-b=0", "--scale-check 'a-b=0': give two point names"),
        ("a-b=1.2.3", "--scale-check 'a-b=1.2.3': give two point names"),
        ("a-bb=12", "'a-bb' holds no two points' names; give two"),
        ("hole-1-L-hole-1-X=12", "holds no two points' names, did you mean hole-1-L"),
        ("a-b-c=12", "'a-b-c' could mean several pairs of points"),
    ],
)
def test_faults_of_a_check_length(text, words):
    with pytest.raises(UsageError, match=words):
        check_length(text, ("a", "b", "a-b", "b-c", "c", "hole-1-L"))


def test_names_that_no_point_has_or_that_were_not_found():
    with pytest.raises(UsageError, match=r"tape.csv line 2: no point is named 'a-bb'; did you mean a-b\?"):
        check(POINTS, NOISE, [row("a", "a-bb", 3.0)], SETTINGS)
    with pytest.raises(DataError, match=r"tape.csv line 2: gone was not found in the scan"):
        check(POINTS, NOISE, [row("a", "gone", 3.0)], SETTINGS)


@pytest.mark.parametrize("state", ["mirrored", "averaged", "constructed", "entered"])
def test_a_length_to_a_point_that_was_not_measured_proves_nothing(state):
    points = MountPoints((*POINTS.points, at("made", 100, 0, 0, state=state)), ())
    with pytest.raises(DataError, match=f"made is {state}, not measured: its length would prove nothing"):
        check(points, NOISE, [row("a", "made", 100.0)], SETTINGS)
