"""Holes in both walls of a rail: which are of one bolt, and the outside width by hand."""

import numpy as np
import pytest
from points_case import LEFT, NOISE, UP, a_datum, chassis, feature, mirrored, scanned

from barerail.records import MountPoints
from barerail.settings import PointsSettings
from barerail.stages.points import points


def run(found) -> MountPoints:
    return points(scanned(found), a_datum(), (), PointsSettings())


def walls(apart=60.0, off=0.0, size=(12.5, 12.5), turned=LEFT):
    """Holes in the outboard and the inboard wall of a left rail, the outer one 3 mm thick and led by its outer face."""
    outer = feature(
        "hole", (500.0, 460.0, 300.0), LEFT, size[0], 3.0, ends=np.array([[500, 460, 300], [500, 457, 300]])
    )
    return [outer, feature("hole", (500.0 + off, 460.0 - apart, 300.0), -turned, size[1])]


def test_holes_in_both_walls_are_told_with_the_outside_width_and_its_U():
    made = run(walls())
    note = made.points[0].note
    assert "in line with" in note and "60.0 mm outside" in note
    assert {p.name for p in made.points} == {
        n for p in made.points for n in [p.note.split("in line with ")[1].split(":")[0]]
    }
    # both fits along the bolt, 0.02 mm each, the drift of each, 0.05 mm, and of the length: 0.15 mm, rounded up
    assert 2 * np.sqrt(2 * 0.02**2 + 2 * NOISE.drift_mm**2 + 0.012**2) == pytest.approx(0.154, abs=0.001)
    assert "(U 0.2)" in note
    assert any("one bolt may go through" in n.text and n.count == 1 for n in made.notes)


def test_the_inner_face_that_leads_does_not_shorten_the_width():
    """Of the right rail's outboard wall the inner face leads, since that one points left: 3 mm inside the outer one."""
    made = run([*walls(), *map(mirrored, walls())])
    assert [p.note.count("60.0 mm outside") for p in made.points] == [1] * 4


@pytest.mark.parametrize(
    "other", [dict(off=4.0), dict(size=(12.5, 16.0)), dict(apart=200.0), dict(apart=10.0), dict(turned=UP)]
)
def test_holes_aside_of_another_size_far_apart_or_turned_are_not_one_bolts(other):
    assert not any("in line" in p.note for p in run([*walls(**other), *chassis()]).points)


def test_of_three_in_line_the_two_nearest_are_told():
    third = feature("hole", (500.0, 350.0, 300.0), -LEFT, 12.5)
    told = {p.position[1].round(): "in line" in p.note for p in run([*walls(), third]).points}
    assert told == {460.0: False, 400.0: True, 350.0: True}
