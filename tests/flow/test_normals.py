"""Normals where E57, LAS and glTF files have them: as they were written, and turned with what they belong to."""

import numpy as np
import pytest
from format_files import e57_file, e57_with_normals, glb_cloud, laz_file
from scan_files import CLOUD, NORMALS

from barerail.errors import DataError
from barerail.store import readers

TURNED = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1]], float)


def same(found, expected) -> None:
    assert found.dtype == np.float32
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize("spherical", [False, True])
def test_e57_normals_turn_with_each_scans_pose(tmp_path, spherical):
    scan = readers.read([e57_with_normals(tmp_path / "a.e57", spherical)])
    at = CLOUD @ TURNED.T
    at[6000:, 0] += 1000
    np.testing.assert_allclose(scan.points, at, rtol=0, atol=1e-9)
    same(scan.normals, NORMALS @ TURNED.T)


def test_e57_without_normals_has_none(tmp_path):
    assert readers.read([e57_file(tmp_path / "a.e57")]).normals is None


@pytest.mark.parametrize("form", ["las", "laz"])
def test_las_normals_in_extra_dimensions(tmp_path, form):
    scan = readers.read([laz_file(tmp_path / f"a.{form}", NORMALS)], "mm")
    same(scan.normals, NORMALS)
    assert readers.read([laz_file(tmp_path / f"b.{form}")], "mm").normals is None


def sheet() -> tuple[np.ndarray, np.ndarray]:
    """A bent sheet, m, and its normals, by hand: z = x^2 / 4 has the normal (-x / 2, 0, 1) made unit long."""
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(-1, 1, 110), np.linspace(-0.5, 0.5, 100)))
    normals = np.column_stack([-x / 2, np.zeros_like(x), np.ones_like(x)])
    return np.column_stack([x, y, x * x / 4]), normals / np.linalg.norm(normals, axis=1, keepdims=True)


@pytest.mark.parametrize("mirrored", [1, -1])
def test_gltf_normals_stay_square_to_the_surface_under_turns_and_uneven_scales(tmp_path, mirrored):
    points, normals = sheet()
    turn = {"rotation": [0, 0, 0.5**0.5, 0.5**0.5]}
    scan = readers.read([glb_cloud(tmp_path / "a.glb", points, normals, turn, {"scale": [mirrored, 1, 2]})])
    # By hand: twice as high, z = x^2 / 2, so (-x, 0, 1); a mirror along x changes its sign; then turned about z.
    expected = np.column_stack([-points[:, 0] * mirrored, np.zeros(len(points)), np.ones(len(points))])
    expected /= np.linalg.norm(expected, axis=1, keepdims=True)
    np.testing.assert_allclose(scan.points, points * [1000 * mirrored, 1000, 2000] @ TURNED.T, rtol=0, atol=1e-3)
    same(scan.normals, expected @ TURNED.T)


def test_gltf_with_fewer_normals_than_points_is_refused(tmp_path):
    points, normals = sheet()
    with pytest.raises(DataError, match="it has not as many normals as points"):
        readers.read([glb_cloud(tmp_path / "a.glb", points, normals[:-1])])
