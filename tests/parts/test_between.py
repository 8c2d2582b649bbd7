"""Between two names: hand geometry, U by drawing, and what is refused."""

import io
from csv import DictReader
from dataclasses import replace

import numpy as np
import pytest
from parts_case import NAN, NOISE, bracket, datum, hole, point

from barerail.asked import BetweenSettings
from barerail.errors import DataError, UsageError
from barerail.outputs.between import between_files
from barerail.records import MountPoints
from barerail.stages.between import between

FOUND = MountPoints(
    (
        bracket("front-L", (300.0, 200.0, 100.0)),
        bracket("rear-L", (0.0, 210.0, 90.0)),
        hole("rack-L", (120.0, 330.0, 140.5), (0.0, 1, 0)), hole("rack-R", (120.0, -330.0, 140.0), (0.0, 1, 0)),
        point("tube", "tube", (50.0, 0.0, 96.0), (0.0, 1, 0), length=300.0,
              cov_local=np.diag([0.0025, 900.0, 0.0025])),
        hole("lost", (NAN, NAN, NAN), state="missing"),
    ),
    (),
)  # fmt: skip


def measures(a: str, b: str, car=None):
    found = between(FOUND, car or datum(), NOISE, BetweenSettings(points=(a, b)))
    return found.relations[0].measures


def test_lengths_and_angles_by_hand():
    m = measures("rear-L", "front-L")
    assert m["distance_mm"].value == pytest.approx(np.sqrt(300**2 + 10**2 + 10**2))
    assert [m[f"d{k}_mm"].value for k in "xyz"] == pytest.approx([300, -10, 10])
    # tan = 10 / 300
    assert m["line_plan_deg"].value == pytest.approx(-1.9091525) and m["line_side_deg"].value == pytest.approx(
        1.9091525
    )
    assert m["angle_deg"].value == pytest.approx(0.0) and m["apart_mm"].value == pytest.approx(np.sqrt(200))
    assert "meet_x_mm" not in m


def test_axes_that_cross_meet_where_they_come_closest():
    m = measures("rear-L", "tube")
    assert m["angle_deg"].value == pytest.approx(90) and m["apart_mm"].value == pytest.approx(6)
    assert [m[f"meet_{k}_mm"].value for k in "xyz"] == pytest.approx([50, 210, 93])
    # along the tube nothing holds its place, where the axes meet is held all the same
    assert m["distance_mm"].U > 50 and m["apart_mm"].U < 0.6 and m["meet_y_mm"].U < 0.6


def test_heights_left_and_right_share_the_datum_but_for_its_roll():
    m = measures("rack-R", "rack-L")
    assert m["dz_mm"].value == pytest.approx(0.5) and m["line_front_deg"].value == pytest.approx(np.degrees(0.5 / 660))
    drift = 2 * 0.05**2 + (0.2 * 0.66) ** 2
    assert m["dz_mm"].U == pytest.approx(2 * np.sqrt(2 * 0.0025 + drift + 660**2 * 1e-8), rel=1e-3)
    shifted = datum(covariance=np.diag([25.0, 25, 25, 1e-8, 4e-8, 9e-8]))
    assert measures("rack-R", "rack-L", shifted)["dz_mm"].U == pytest.approx(m["dz_mm"].U)


def test_U_of_distance_is_that_of_the_hand_check():
    from barerail.geometry.distance import distance_U

    a, b = FOUND.points[:2]
    assert measures("rear-L", "front-L")["distance_mm"].U == pytest.approx(distance_U(b, a, NOISE), rel=1e-6)


def test_U_of_the_angle_and_the_gap_of_two_axes_is_what_drawing_gives():
    skewed = replace(FOUND.points[1], axis=np.array([0.8, 0.6, 0.0]))
    found = MountPoints((FOUND.points[0], skewed), ())
    m = between(found, datum(), NOISE, BetweenSettings(points=("front-L", "rear-L"))).relations[0].measures
    rng, n = np.random.default_rng(2), 4000
    q = np.array([p.position for p in found.points]) + rng.normal(scale=np.sqrt(0.005), size=(n, 2, 3))
    strain = 0.2e-3 * rng.normal(size=(n, 3, 3))
    q = q + np.array([p.position for p in found.points]) @ strain.transpose(0, 2, 1)
    a = np.array([p.axis for p in found.points])
    local = [np.linalg.eigh(p.cov_axis - _turn_cov(p.axis)) for p in found.points]
    own = np.stack([(rng.normal(size=(n, 3)) * np.sqrt(np.maximum(w, 0))) @ v.T for w, v in local], axis=1)
    a = a + own + a @ strain.transpose(0, 2, 1)  # the datum turns both alike
    a /= np.linalg.norm(a, axis=2, keepdims=True)
    angle = np.degrees(np.arccos(np.einsum("ij,ij->i", a[:, 0], a[:, 1])))
    normal = np.cross(a[:, 0], a[:, 1])
    apart = np.einsum("ij,ij->i", q[:, 1] - q[:, 0], normal) / np.linalg.norm(normal, axis=1)
    assert m["angle_deg"].U == pytest.approx(2 * angle.std(), rel=0.06)
    assert m["apart_mm"].U == pytest.approx(2 * apart.std(), rel=0.06)


def _turn_cov(axis: np.ndarray) -> np.ndarray:
    k = np.cross(np.eye(3), axis)
    return k @ datum().covariance[3:, 3:] @ k.T


def test_files_hold_all_pairs_with_cautions():
    asked = BetweenSettings(points=("front-L", "rear-L", "tube"), title="arms")
    files = between_files(between(FOUND, datum(), NOISE, asked), datum(), asked).files
    assert set(files) == {f"export/between-arms.{form}" for form in ("csv", "json", "txt")}
    lines = [line for line in files["export/between-arms.csv"].decode().splitlines() if not line.startswith("#")]
    rows = list(DictReader(io.StringIO("\n".join(lines))))
    assert [(r["a"], r["b"]) for r in rows] == [("front-L", "rear-L"), ("front-L", "tube"), ("rear-L", "tube")]
    assert float(rows[0]["distance_mm"]) == pytest.approx(300.333, abs=5e-4) and rows[0]["meet_x_mm"] == ""
    sheet = " ".join(files["export/between-arms.txt"].decode().split())
    assert "a hole is no load path, a fit is no strength check" in sheet and "SCALE NOT CHECKED" in sheet
    assert "! tube: its place along its axis is where it was seen" in sheet


@pytest.mark.parametrize(
    ("names", "error", "words"),
    [
        (("front-L",), UsageError, "give two or more different names"),
        (("front-L", "front-L"), UsageError, "give two or more different names"),
        (("front-L", "reer-L"), UsageError, "no point is named 'reer-L'; did you mean rear-L?"),
        (("front-L", "lost"), DataError, "lost was not found in the scan"),
    ],
)
def test_names_that_give_no_length(names, error, words):
    with pytest.raises(error) as told:
        between(FOUND, datum(), NOISE, BetweenSettings(points=names))
    assert words in str(told.value)
