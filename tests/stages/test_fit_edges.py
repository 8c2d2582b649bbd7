"""What comes out round in a fused mesh and may be something else: by hand, at 2 mm voxels."""

from types import SimpleNamespace

import numpy as np
import pytest

from barerail.records import Array, Feature
from barerail.stages.fit.edges import without_doubtful

R, HIGH = 4.0, 40.0
FRAME = np.array([[1.0, 0, 0], [0, 0.8, -0.6], [0, 0.6, 0.8]])
AT = np.array([3.0, 2.0, 1.0])


def feature(kind: str, diameter: float, length: float, arc: float = 360) -> Feature:
    nothing, nan = np.zeros((3, 3)), float("nan")
    return Feature(kind, AT, FRAME[2], diameter, length, nothing, nothing, nan, nan, arc, 0, nan, -1)


def mesh(*faces: Array) -> SimpleNamespace:
    """A mesh with these points (n, 3) about a stud, in its own axes."""
    points = np.vstack([np.zeros((0, 3)), *faces]) @ FRAME + AT

    def near(at: Array, reach: float) -> Array:
        return points[np.linalg.norm(points - at, axis=1) < reach]

    return SimpleNamespace(mesh=True, voxel_mm=2.0, clean=SimpleNamespace(spacing_mm=2.0), near=near)


def face(x: Array, y: Array, low: float = 0.0, high: float = HIGH) -> Array:
    """Places (n,) in a stud's section, drawn out along it."""
    z = np.arange(low, high, 2.0)
    return np.column_stack([np.repeat(x, len(z)), np.repeat(y, len(z)), np.tile(z, len(x))])


AHEAD = np.arange(0.0, 20.0, 2.0)
LEFT, RIGHT = (face(AHEAD, np.full(10, s * R)) for s in (1.0, -1.0))
FAR = np.array([1.9 * R, 0, 0])
ACROSS = np.arange(-20.0, 20.0, 2.0)
ROUND = np.linspace(0, 2 * np.pi, 24, endpoint=False)


@pytest.mark.parametrize(
    ("faces", "stays"),
    [
        ((), True),
        ((LEFT,), True),
        ((LEFT, RIGHT), False),
        ((face(ACROSS, np.full(20, R)),), True),
        ((face(np.full(20, 1.5 * R), ACROSS),), True),
        ((face(1.7 * R * np.cos(ROUND), 1.7 * R * np.sin(ROUND), 14, 22),), True),
        ((LEFT[LEFT[:, 2] < 12], RIGHT[RIGHT[:, 2] < 12]), True),
        ((LEFT + FAR, RIGHT + FAR), True),
    ],
    ids=["alone", "a face", "edge of a sheet", "against a wall", "before a wall", "nut", "gusset at its foot", "apart"],
)
def test_a_sheets_edge_in_a_mesh_is_no_stud_and_one_beside_other_things_is(
    faces: tuple[Array, ...], stays: bool
) -> None:
    stud = feature("stud", 2 * R, HIGH)
    kept, notes = without_doubtful([stud], mesh(*faces))
    assert (kept == [stud]) == stays and [n.count for n in notes] == [1] * (not stays)
    assert without_doubtful([stud], SimpleNamespace(mesh=False)) == ([stud], ())


@pytest.mark.parametrize(("diameter", "length", "stays"), [(6, 66, False), (7.2, 60, True), (12, 130, True)])
def test_a_stud_as_long_and_thin_as_a_wire_in_a_mesh_is_none(diameter: float, length: float, stays: bool) -> None:
    stud = feature("stud", diameter, length)
    kept, notes = without_doubtful([stud], mesh())
    assert (kept == [stud]) == stays and [n.count for n in notes] == [1] * (not stays)
    assert without_doubtful([stud], SimpleNamespace(mesh=False)) == ([stud], ())


@pytest.mark.parametrize(
    ("diameter", "length", "arc", "stays"),
    [
        (11, 60, 200, False),
        (11, 60, 350, True),
        (20, 60, 190, True),
        (20, 35, 190, False),
        (20, 35, 280, True),
        (40, 30, 190, False),
        (40, 30, 280, True),
        (40, 70, 190, True),
    ],
    ids=["edge of a sheet", "rod", "thick", "thin scrap", "thin stub", "scrap of a lump", "stub", "between two rails"],
)
def test_a_tube_that_may_be_something_else_in_a_mesh_is_told_as_dropped(diameter, length, arc, stays) -> None:
    tube = feature("tube", diameter, length, arc)
    kept, notes = without_doubtful([tube], mesh())
    assert (kept == [tube]) == stays and [n.count for n in notes] == [1] * (not stays)
    assert without_doubtful([tube], SimpleNamespace(mesh=False)) == ([tube], ())
