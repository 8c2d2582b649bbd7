"""z = 0 with long round tubes beside box rails: a cage above them is no underside, a tube frame below them is."""

from dataclasses import replace

import numpy as np
import pytest
from datum_case import case, hints

from barerail.geometry.frames import direction, invert, transform
from barerail.records import Array, Features, Rail, Station
from barerail.settings import DatumSettings
from barerail.stages.datum import datum

DIAMETER = 40.0


def tube(side: float, z: float, pose: Array) -> Rail:
    """A straight round tube along the car, 300 mm from its centre plane. `pose` (4, 4): scan from car."""
    at = np.column_stack([np.arange(-400.0, 1600.0, 100.0), np.full((20, 2), [side * 300.0, z])])
    cov = np.diag([0.01, 0.01, np.nan, 0.02, 0.02]) ** 2
    axes = direction(pose, np.eye(3))
    made = [Station(p, axes, (DIAMETER, DIAMETER), cov, (True,) * 4, 3000, 0.1) for p in transform(pose, at)]
    return Rail("tube", tuple(made))


def with_tubes(features: Features, truth: Array, boxes: int, *heights: float) -> Features:
    """`boxes`: of the two box rails that were found as such."""
    tubes = tuple(tube(side, z, invert(truth)) for z in heights for side in (1.0, -1.0))
    return replace(features, rails=(*features.rails[:boxes], *tubes))


@pytest.mark.parametrize("boxes", [0, 1, 2])
def test_a_cage_above_the_rails_makes_no_level(boxes: int) -> None:
    clean, features, truth = case(4)
    made = datum(clean, with_tubes(features, truth, boxes, 900.0), DatumSettings(**hints(truth)))
    assert made.recipe["level"] == "face" and "rails" not in made.assumed
    assert transform(made.car_from_scan @ invert(truth), np.zeros(3))[2] == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize(
    ("boxes", "heights", "guessed"),
    [(0, (-90.0,), False), (1, (-90.0,), True), (0, (-90.0, 900.0), True)],
)
def test_tubes_under_the_faces_make_it_and_a_choice_is_said(boxes: int, heights: tuple[float], guessed: bool) -> None:
    clean, features, truth = case(4)
    shown = with_tubes(features, truth, boxes, *heights)
    made = datum(clean, shown, DatumSettings(**hints(truth), confirmed=True))
    assert made.recipe["level"] == "tube"
    z = transform(made.car_from_scan @ invert(truth), np.zeros(3))[2]
    assert z == pytest.approx(90.0 + DIAMETER / 2, abs=0.05)
    assert ("rails" in made.assumed) == guessed
    told = [n for n in made.notes if "round tubes" in n.text]
    assert [n.count for n in told] == ([len(heights)] if guessed else [])
    assert all(("box or channel" in n.text) == (boxes == 1) for n in told)
