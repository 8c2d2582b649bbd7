"""chassis.ply and chassis.stl opened by open3d and trimesh: places, left and right, normals, faces, unit."""

import io
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from outputs_case import CAR_FROM_SCAN, datum, mesh_scan

from barerail.errors import DataError
from barerail.geometry.frames import transform
from barerail.libraries import open3d
from barerail.outputs import mesh
from barerail.outputs.mesh import chassis_ply, chassis_stl


def car(scan) -> np.ndarray:
    return transform(CAR_FROM_SCAN, scan.points)


def open_ply(data: bytes) -> trimesh.Trimesh | trimesh.PointCloud:
    return trimesh.load(io.BytesIO(data), file_type="ply", process=False)


def head(data: bytes) -> str:
    return data[: data.index(b"end_header\n")].decode("ascii")


def test_mesh_ply_reads_back_in_car_axes():
    scan = mesh_scan()
    read = open_ply(chassis_ply(scan, datum()))
    np.testing.assert_allclose(read.vertices, car(scan), rtol=0, atol=0.001)
    assert np.array_equal(read.faces, scan.triangles)
    assert read.vertices[:4, 1].min() > 0 > read.vertices[4, 1]


def test_outside_stays_outside():
    for read in (
        open_ply(chassis_ply(mesh_scan(), datum())),
        trimesh.load(io.BytesIO(chassis_stl(mesh_scan(), datum())), file_type="stl"),
    ):
        assert read.is_watertight and read.volume == pytest.approx(1000 / 6, rel=1e-4)


def test_ply_opens_in_open3d_with_normals(tmp_path):
    o3d = open3d()
    path = tmp_path / "chassis.ply"
    for triangles in (True, False):
        scan = mesh_scan(triangles=triangles)
        path.write_bytes(chassis_ply(scan, datum(origin="x = 0: pair 'Träger \"A\" links'")))
        read = o3d.t.io.read_point_cloud(str(path))
        np.testing.assert_allclose(read.point.positions.numpy(), car(scan), rtol=0, atol=0.001)
        np.testing.assert_allclose(read.point.normals.numpy(), np.tile((0, 0, 1), (5, 1)), atol=1e-6)
    read = o3d.io.read_triangle_mesh(str(path))
    assert len(read.triangles) == 0


def test_a_cloud_without_normals_has_no_normals_and_no_faces():
    data = chassis_ply(mesh_scan(normals=False, triangles=False), datum())
    assert "nx" not in head(data) and "face" not in head(data)
    np.testing.assert_allclose(open_ply(data).vertices, car(mesh_scan()), rtol=0, atol=0.001)


def test_far_points_are_written_in_double():
    near, far = mesh_scan(), mesh_scan(far=1e6)
    assert "property float x" in head(chassis_ply(near, datum()))
    data = chassis_ply(far, datum())
    assert "property double x" in head(data)
    np.testing.assert_allclose(open_ply(data).vertices, car(far), rtol=0, atol=0.001)


def test_every_chunk_is_written(monkeypatch):
    whole, stl = chassis_ply(mesh_scan(), datum()), chassis_stl(mesh_scan(), datum())
    monkeypatch.setattr(mesh, "CHUNK", 2)
    assert chassis_ply(mesh_scan(), datum()) == whole and chassis_stl(mesh_scan(), datum()) == stl


def test_ply_comments_say_unit_axes_and_datum():
    said = " ".join(line[8:].strip() for line in head(chassis_ply(mesh_scan(), datum(assumed=("above",)))).splitlines())
    for text in ("unit: mm", "x forward, y left, z up", "origin: x = 0", "UNCONFIRMED: above"):
        assert text in said


def test_stl_reads_back_and_its_header_says_mm_and_axes():
    data = chassis_stl(mesh_scan(), datum(assumed=("front",)))
    assert len(data) == 84 + 50 * 4 and not data.startswith(b"solid")
    assert data[:80].decode().rstrip() == "UNCONFIRMED barerail mm, x forward, y left, z up"
    read = trimesh.load(io.BytesIO(data), file_type="stl", process=False)
    np.testing.assert_allclose(read.triangles, car(mesh_scan())[mesh_scan().triangles], rtol=0, atol=0.001)
    assert read.vertices[:, 1].min() > 0


def test_a_cloud_makes_no_stl_and_a_mirror_no_file():
    with pytest.raises(DataError, match="point cloud"):
        chassis_stl(mesh_scan(triangles=False), datum())
    with pytest.raises(DataError, match="mirror"):
        chassis_ply(mesh_scan(), datum(car_from_scan=np.diag([1.0, -1, 1, 1])))


def test_stl_normals_follow_the_winding():
    data = chassis_stl(mesh_scan(), datum())
    row = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("flags", "<u2")])
    rows = np.frombuffer(data, row, offset=84)
    outward = rows["corners"].mean(1) - rows["corners"].reshape(-1, 3).mean(0)
    assert np.all(np.sum(rows["normal"] * outward, axis=1) > 0)
    np.testing.assert_allclose(np.linalg.norm(rows["normal"], axis=1), 1, atol=1e-6)


def test_a_triangle_without_area_has_no_normal():
    flat = replace(mesh_scan(), triangles=np.array([(0, 0, 1)], np.int32))
    assert chassis_stl(flat, datum())[84:96] == bytes(12)
