"""Mounting faces on hand-made scans: the truth is the construction in fit_case."""

import numpy as np
import pytest
from fit_case import Points, Scanner
from test_fit import SHIFT, TURN, back, of_kind, posed

from barerail.records import Feature, Features
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

SIZE, THICK, HOLE = (120.0, 80.0), 4.0, (25.0, 10.0, 6.25)
RAIL_AT = np.array([0.0, 200.0, 0.0])


def found(seed: int, cut: float = 1e9, more: tuple[tuple[float, float, float], ...] = ()) -> Features:
    """A plate with holes beside a box rail with holes in its top; of the plate nothing beyond x = `cut` was seen."""
    s = Scanner(np.random.default_rng(seed))
    plate = s.sheet(SIZE, THICK, [HOLE, *more])
    seen = plate.at[:, 0] < cut
    rail = s.box(700.0, 60.0, 80.0, 6.0, [(-100.0, 0.0, 6.25), (80.0, 0.0, 8.0)])
    return fit(clean(posed(s, Points(plate.at[seen], plate.out[seen]) + rail.placed(np.eye(3), RAIL_AT)),
                     CleanSettings()), FitSettings())  # fmt: skip


def faces(seed: int) -> list[Feature]:
    return of_kind(found(seed), "face")


@pytest.mark.parametrize("seed", [151, 152, 153])
def test_a_plate_with_a_hole_is_a_face_with_its_middle_and_a_rail_is_none(seed: int) -> None:
    (face,) = faces(seed)
    assert sorted(np.round(back(end)[2]) for end in face.ends) == [-THICK, 0.0]
    error = back(face.point) - [0.0, 0.0, np.round(back(face.point)[2] / THICK) * THICK]
    u = np.sqrt(np.diag(TURN.T @ face.cov @ TURN))
    assert np.all(np.abs(error) < 3 * u)
    assert np.hypot(*u[:2]) < 2.5 and u[2] < 0.1
    assert abs((TURN.T @ face.axis)[2]) == pytest.approx(1.0, abs=1e-4)
    assert face.detail["area_cm2"] == pytest.approx(SIZE[0] * SIZE[1] / 100, rel=0.1)


def test_a_plate_with_two_holes_is_one_face() -> None:
    assert len(of_kind(found(156, more=((-35.0, -15.0, 5.25),)), "face")) == 1


def test_a_plate_whose_end_was_not_seen_is_no_face() -> None:
    seen = found(154, cut=40.0)
    assert not of_kind(seen, "face") and any("border not seen" in n.text for n in seen.notes)


def test_holes_stay_as_they_are_beside_a_face() -> None:
    features = found(155)
    holes = sorted(round(2 * f.diameter) / 2 for f in of_kind(features, "hole"))
    assert holes == [12.5, 12.5, 16.0]
    assert all(np.linalg.norm(f.point - SHIFT) < 900 for f in features.found)
