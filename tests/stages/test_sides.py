"""Which way the faces of a cloud without normals look, against the normals that the simulated scanner gave away."""

import numpy as np
import pytest
from fit_case import Scanner

from barerail.geometry.frames import from_rotation_vector
from barerail.records import Array
from barerail.scene import SceneCase, make
from barerail.stages.clean.sides import _sky, sided

TURN = from_rotation_vector([0.3, -0.7, 1.9])


def shares(points: Array, true: Array, cell: float) -> tuple[float, float]:
    """Shares of points whose normal is right, and turned over, by at most 45 degrees."""
    cosine = np.einsum("ij,ij->i", sided(points, cell), true)
    return float((cosine > 0.7).mean()), float((cosine < -0.7).mean())


@pytest.mark.parametrize(
    ("sort", "spacing", "right"), [("channel", 2.4, 0.96), ("tube", 2.4, 0.96), ("perimeter", 2.0, 0.97)]
)
def test_faces_of_a_chassis_look_out_of_its_metal(sort: str, spacing: float, right: float) -> None:
    made = make(SceneCase(sort, 121, 121, small=True, scanner="sample", spacing_mm=spacing))
    assert made.scan.normals is not None
    found, over = shares(np.asarray(made.scan.points, float), made.scan.normals, 1.25 * spacing)
    assert found > right and over < 0.005


def test_a_bore_is_told_from_a_rod() -> None:
    s = Scanner(np.random.default_rng(122))
    sleeve = s.sleeve(38.0, 20.0, 70.0).placed(TURN, [100, -40, 20])
    rod = s.wall((0, 0, 10.0), -35, 35, True).placed(TURN, [200, -40, 20])
    for points in (sleeve, rod):
        right, over = shares(points.at, points.out, 2.5)
        assert right > 0.97 and over < 0.01


@pytest.mark.parametrize(("thick", "most"), [(1.5, 0.015), (3.0, 0.005), (6.0, 0.005), (9.0, 0.005)])
def test_both_faces_of_a_sheet_look_away_from_each_other(thick: float, most: float) -> None:
    s = Scanner(np.random.default_rng(123))
    sheet = s.sheet((200, 120), thick, [(0, 0, 8.0)])
    way = sided(sheet.placed(TURN, [0, 0, 0]).at, 2.5) @ TURN
    face = np.abs(sheet.out[:, 2]) > 0.5
    cosine = np.einsum("ij,ij->i", way, sheet.out)[face]
    assert (cosine > 0.7).mean() > 0.98 and (cosine < -0.7).mean() < most


def test_the_same_points_give_the_same_bytes_in_any_order() -> None:
    s = Scanner(np.random.default_rng(124))
    at = s.sheet((120, 80), 3.0).placed(TURN, [5, 6, 7]).at
    other = np.random.default_rng(125).permutation(len(at))
    assert sided(at, 2.5)[other].tobytes() == sided(at[other], 2.5).tobytes()


@pytest.mark.filterwarnings("error")
def test_a_place_without_a_direction_hides_nothing_and_sees_nothing() -> None:
    at = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 20.0]])
    bare = _sky(at, np.array([[0.0, 0.0, 1.0], [0.0, 0.0, 0.0]]), np.array([0, 1]), 4.0)
    assert np.isfinite(bare).all() and bare[1] == 0
