"""One cloud and one mesh through every further format, written by another library than the one that reads them."""

from pathlib import Path

import numpy as np
import pytest
import scan_files as files
import trimesh
from format_files import e57_file, las_file, laz_file, pack, pcd_file, three_mf
from scan_files import CLOUD, MESH_POINTS, NORMALS, TRIANGLES

from barerail.errors import DataError, UsageError
from barerail.libraries import open3d
from barerail.store import pcd, readers, units

SQUARE = np.array([[0, -1, 0, 10], [1, 0, 0, 20], [0, 0, 1, 30], [0, 0, 0, 1]], float)


def read(path: Path, unit: str = "auto"):
    return readers.read([path], unit)


def mesh(scale: float = 1.0) -> trimesh.Trimesh:
    return trimesh.Trimesh(MESH_POINTS * scale, TRIANGLES, process=False)


def same_corners(scan, expected) -> None:
    """Triangle for triangle the same corners, in mm, to float32 at 2 m."""
    np.testing.assert_allclose(scan.points[scan.triangles], expected[TRIANGLES], rtol=0, atol=3e-4)


@pytest.mark.parametrize("ascii_, packed", [(True, False), (False, False), (False, True)])
def test_pcd_as_open3d_writes_it(tmp_path, ascii_, packed):
    o3d, path = open3d(), tmp_path / "a.pcd"
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(CLOUD))
    cloud.normals = o3d.utility.Vector3dVector(NORMALS)
    assert o3d.io.write_point_cloud(str(path), cloud, write_ascii=ascii_, compressed=packed)
    scan = read(path, "mm")
    np.testing.assert_allclose(scan.points, CLOUD, rtol=0, atol=1e-3 if ascii_ else 0)
    np.testing.assert_allclose(scan.normals, NORMALS, rtol=0, atol=1e-5)


def test_pcd_compressed_repeats_come_back(tmp_path):
    o3d, path = open3d(), tmp_path / "a.pcd"
    points = CLOUD.copy()
    points[:8000, 2] = 17.0
    o3d.io.write_point_cloud(str(path), o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points)), compressed=True)
    assert path.stat().st_size < 12 * len(points)
    np.testing.assert_array_equal(pcd.read(path).points, points)


def test_pcd_double_keeps_far_off_digits_empty_places_go_and_the_viewpoint_is_told(tmp_path):
    points = np.vstack([CLOUD + 1e6 + 1e-5, np.full((20_000, 3), np.nan)])
    scan = read(pcd_file(tmp_path / "a.pcd", points), "mm")
    np.testing.assert_array_equal(scan.points, points[: len(CLOUD)])
    said = " ".join(note.text for note in scan.notes)
    assert "20000 places without a point" in said and "its viewpoint (0 0 5 1 0 0 0)" in said


@pytest.mark.parametrize("form", ["glb", "gltf"])
def test_gltf_with_nodes_as_trimesh_writes_it_is_metres(tmp_path, form):
    scene = trimesh.Scene()
    place = SQUARE.copy()
    place[:3, 3] /= 1000
    scene.add_geometry(mesh(1e-3), transform=place)
    scene.export(str(tmp_path / f"a.{form}"))
    scan = read(tmp_path / f"a.{form}")
    assert (scan.unit, scan.unit_assumed) == ("m", False)
    same_corners(scan, MESH_POINTS @ SQUARE[:3, :3].T + SQUARE[:3, 3])


def test_glb_cloud(tmp_path):
    trimesh.PointCloud(CLOUD / 1000).export(str(tmp_path / "a.glb"))
    scan = read(tmp_path / "a.glb")
    assert scan.triangles is None
    np.testing.assert_allclose(scan.points, CLOUD, rtol=0, atol=3e-4)


@pytest.mark.parametrize("unit, mm", [(None, 1.0), ("micron", 0.001), ("inch", 25.4), ("meter", 1000.0)])
def test_3mf_states_its_unit_and_places_its_parts(tmp_path, unit, mm):
    scan = read(three_mf(tmp_path / "a.3mf", unit, '<item objectid="2"/>')) if mm == 1 else None
    moved = MESH_POINTS @ SQUARE[:3, :3].T + SQUARE[:3, 3]
    if scan is None:
        raw = readers.READERS[".3mf"](three_mf(tmp_path / "a.3mf", unit, '<item objectid="2"/>'))
        np.testing.assert_allclose(raw.points * units.MM_PER[raw.unit], moved * mm, rtol=1e-12, atol=0)
    else:
        assert (scan.unit, scan.unit_assumed) == ("mm", False)
        same_corners(scan, moved)


def test_3mf_as_trimesh_writes_it(tmp_path):
    mesh().export(str(tmp_path / "a.3mf"))
    same_corners(read(tmp_path / "a.3mf"), MESH_POINTS)


WKT = 'PROJCS["x",GEOGCS["y",SPHEROID["z",6378137,298],UNIT["degree",0.01745]],UNIT["{}",{}]]'


@pytest.mark.parametrize("key, wkt, mm", [(9001, "", 1000), (9002, "", 304.8), (9003, "", 1200_000 / 3937),
                                          (None, WKT.format("metre", 1), 1000), (None, "", None)])  # fmt: skip
def test_las_scales_drops_withheld_and_takes_the_unit_of_its_grid(tmp_path, key, wkt, mm):
    pytest.importorskip("laspy")
    points = CLOUD / (mm or 1000) + [1e6, 0, 0]
    raw = readers.READERS[".las"](las_file(tmp_path / "a.las", points, key, wkt))
    keep = np.arange(len(points)) % 10 != 0
    k = units.MM_PER[raw.unit] if mm else 1
    assert (raw.unit is None) == (mm is None)
    np.testing.assert_allclose(raw.points / (mm / k if mm else 1), points[keep], rtol=0, atol=0.6e-3)


def test_laz_as_laspy_writes_it(tmp_path):
    np.testing.assert_allclose(read(laz_file(tmp_path / "a.laz")).points, CLOUD, rtol=0, atol=0.6e-3)


def test_las_in_degrees_is_refused(tmp_path):
    pytest.importorskip("laspy")
    with pytest.raises(DataError, match=r"holds degrees of latitude and longitude, no lengths"):
        read(las_file(tmp_path / "a.las", wkt='GEOGCS["y",UNIT["degree",0.01745]]'))


def test_e57_has_each_scan_by_its_pose_and_no_invalid_points(tmp_path):
    scan = read(e57_file(tmp_path / "a.e57"))
    turned = np.column_stack([-CLOUD[:, 1], CLOUD[:, 0], CLOUD[:, 2]])
    turned[6000:, 0] += 1000
    keep = np.concatenate([np.arange(6000), np.arange(4500)]) % 40 != 0
    assert (scan.unit, scan.unit_assumed) == ("m", False)
    np.testing.assert_allclose(scan.points, turned[keep], rtol=0, atol=3e-4)
    assert any("2 scans in it, each by its pose" in note.text for note in scan.notes)


def test_a_format_without_its_library_says_what_to_install(tmp_path, monkeypatch):
    path = las_file(tmp_path / "a.las")
    monkeypatch.setitem(__import__("sys").modules, "laspy", None)
    with pytest.raises(
        UsageError, match=r"a.las: .* read by laspy, which isn't installed: pip install 'barerail\[laspy\]'"
    ):
        read(path)


@pytest.mark.parametrize("form", ["gz", "zip"])
def test_packed_scans_are_read_and_faults_name_both_files(tmp_path, form):
    plain = files.ply(tmp_path / "a.ply")
    assert np.array_equal(read(pack(plain, form)).points, CLOUD)
    plain.write_bytes(plain.read_bytes()[:-9])
    with pytest.raises(DataError, match=rf"a.ply.{form}: a.ply is cut short"):
        read(pack(plain, form))
