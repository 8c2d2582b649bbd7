"""Sleeves of a fused mesh whose bore fusing closed, on bare end faces. The truth is the construction."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from barerail.records import Feature, NoiseModel
from barerail.stages.fit.sleeves import sleeves_in

VOXEL, LENGTH, WIDE = 2.0, 60.0, 30.0
QUIET = NoiseModel(1e-3, 0.0, 1.0, 0.0, 0.0)


def ends(low: float, high: float, share: float = 1.0, turned: float = 1.0, plate: float = WIDE) -> SimpleNamespace:
    """A mesh that holds two discs across z and nothing else, `share` of each, that look out of what is between; the low
    one `plate` mm wide."""
    grid = np.stack(np.meshgrid(*2 * [np.arange(-plate / 2, plate / 2, VOXEL)]), axis=-1).reshape(-1, 2)
    r = np.hypot(*grid.T)
    discs = [grid[(r < wide / 2) & (r > WIDE / 2 * np.sqrt(1 - share))] for wide in (plate, WIDE)]
    at = np.vstack([np.column_stack([xy, np.full(len(xy), z)]) for xy, z in zip(discs, (low, high), strict=True)])
    out = np.vstack([np.tile([0, 0, way * turned], (len(xy), 1)) for xy, way in zip(discs, (-1, 1), strict=True)])
    surface = SimpleNamespace(points=at, normals=out, cell_area=VOXEL**2)
    clean = SimpleNamespace(spacing_mm=VOXEL)
    return SimpleNamespace(
        surface=surface, tree=cKDTree(at), voxel_mm=VOXEL, mesh=True, clean=clean, points=at.__getitem__
    )


def tube(length: float = LENGTH, bowed: float = 0.0) -> Feature:
    axis = np.array([0.0, 0.0, 1.0])
    return Feature(
        "tube",
        np.zeros(3),
        axis,
        WIDE,
        length,
        np.diag([0.01, 0.01, 4.0]),
        1e-6 * np.eye(3),
        0.1,
        4.0,
        300,
        500,
        0.1,
        ends=np.outer([-length / 2, length / 2], axis),
        detail={"facing": 1.0, "bowed": bowed, "low_open": 0.0, "high_open": 0.0},
    )


def test_a_short_tube_with_a_face_across_both_ends_is_a_sleeve_of_its_outside_diameter() -> None:
    (f,), _ = sleeves_in([tube()], [], ends(-32.0, 31.0), QUIET)
    assert f.kind == "sleeve" and f.diameter == f.detail["outside_diameter_mm"] == WIDE
    assert f.length == pytest.approx(63.0) and f.point == pytest.approx([0, 0, -0.5])
    assert "outside" in f.note and "wasn't seen" in f.note
    assert np.sqrt(np.diag(f.cov)) == pytest.approx([0.1, 0.1, 0.2 * VOXEL / np.sqrt(2)])
    assert f.u_length == pytest.approx(2 * 0.2 * VOXEL)


def test_an_end_face_beyond_where_the_skin_ends_is_the_end() -> None:
    """Beside a weld the skin ends early: here 8 mm, four voxels."""
    (f,), _ = sleeves_in([tube()], [], ends(-38.0, 30.0), QUIET)
    assert f.kind == "sleeve" and f.length == pytest.approx(68.0) and f.point == pytest.approx([0, 0, -4.0])


@pytest.mark.parametrize(
    ("mesh", "length"),
    [
        (ends(-30.0, 45.0), LENGTH),
        (ends(-30.0, 30.0, turned=-1.0), LENGTH),
        (ends(-30.0, 30.0, share=0.4), LENGTH),
        (ends(-50.0, 50.0), 100.0),
        (ends(-33.0, 30.0, plate=60.0), LENGTH),
    ],
    ids=["one end open", "ends look in", "rings alone", "too long", "on a plate"],
)
def test_what_is_open_at_an_end_or_too_long_stays_a_tube(mesh: SimpleNamespace, length: float) -> None:
    (f,), _ = sleeves_in([tube(length)], [], mesh, QUIET)
    assert f.kind == "tube"


def test_what_fusing_may_have_bowed_is_a_sleeve_or_nothing() -> None:
    assert [f.kind for f in sleeves_in([tube(bowed=1.0)], [], ends(-30.0, 30.0), QUIET)[0]] == ["sleeve"]
    assert sleeves_in([tube(bowed=1.0)], [], ends(-30.0, 45.0), QUIET)[0] == []


def test_in_a_mesh_an_end_that_no_face_tells_is_open_however_square_the_skin_ends() -> None:
    """It may end in a plate."""
    bore = replace(tube(), diameter=16.0, detail={"facing": -1.0, "bowed": 0.0, "low_open": 0.0, "high_open": 0.0})
    (told,), _ = sleeves_in([tube(), bore], [], ends(-31.0, 31.0), QUIET)
    (f,), _ = sleeves_in([tube(), bore], [], ends(-31.0, 31.0, plate=60.0), QUIET)
    assert np.sqrt(told.cov[2, 2]) < 0.5 and "an end" not in told.note
    assert np.sqrt(f.cov[2, 2]) > 5 and f.u_length > 10 and "an end wasn't seen" in f.note
