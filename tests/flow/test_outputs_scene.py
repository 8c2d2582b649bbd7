"""GLB and OBJ opened by trimesh and by the glTF rules, thinned scans, and STEP solids opened by a second reader."""

import io
import json
import struct
from dataclasses import replace

import flat_case
import numpy as np
import pytest
import trimesh
from jsonschema import Draft202012Validator
from outputs_case import CAR_FROM_SCAN, datum, features, mesh_scan, mount_points, point

from barerail.errors import DataError
from barerail.geometry.frames import invert, transform
from barerail.outputs.mesh_scene import chassis_glb, chassis_obj
from barerail.outputs.step import points_step
from barerail.outputs.thin import thinned
from barerail.outputs.view import FROM_ISO8855
from barerail.records import MountPoints, Rail, Station

GLTF = {
    "type": "object",
    "required": ["asset"],
    "properties": {
        "asset": {"required": ["version"], "properties": {"version": {"const": "2.0"}}},
        "accessors": {
            "type": "array",
            "items": {
                "required": ["componentType", "count", "type"],
                "properties": {
                    "componentType": {"enum": [5120, 5121, 5122, 5123, 5125, 5126]},
                    "type": {"enum": ["SCALAR", "VEC2", "VEC3", "VEC4", "MAT2", "MAT3", "MAT4"]},
                    "count": {"type": "integer", "minimum": 1},
                    "min": {"minItems": 1, "maxItems": 16},
                },
            },
        },
        "bufferViews": {
            "items": {
                "required": ["buffer", "byteLength"],
                "properties": {"target": {"enum": [34962, 34963]}, "byteOffset": {"multipleOf": 4}},
            }
        },
        "buffers": {"minItems": 1, "items": {"required": ["byteLength"]}},
        "meshes": {
            "items": {
                "required": ["primitives"],
                "properties": {
                    "primitives": {"items": {"required": ["attributes"], "properties": {"mode": {"enum": [*range(7)]}}}}
                },
            }
        },
        "nodes": {"items": {"properties": {"translation": {"minItems": 3, "maxItems": 3}}}},
        "scene": {"type": "integer"},
    },
}
"""What the glTF 2.0 schema asks of the parts used here, from memory of the specification."""


def glb(data: bytes) -> tuple[dict, bytes]:
    magic, version, length = struct.unpack("<4sII", data[:12])
    assert (magic, version, length) == (b"glTF", 2, len(data)) and length % 4 == 0
    size, kind = struct.unpack("<I4s", data[12:20])
    assert kind == b"JSON" and size % 4 == 0
    rest = data[20 + size :]
    assert struct.unpack("<I4s", rest[:8]) == (len(rest) - 8, b"BIN\0")
    return json.loads(data[20 : 20 + size]), rest[8:]


def opened(data: bytes) -> trimesh.Trimesh:
    return trimesh.load(io.BytesIO(data), file_type="glb", process=False).to_geometry()


@pytest.mark.parametrize("normals", [True, False])
def test_glb_keeps_to_the_format(normals):
    document, binary = glb(chassis_glb(mesh_scan(normals=normals), datum()))
    assert list(Draft202012Validator(GLTF).iter_errors(document)) == []
    assert document["buffers"][0]["byteLength"] == len(binary)
    first = document["accessors"][0]
    places = np.frombuffer(binary, "<f4", 3 * first["count"]).reshape(-1, 3)
    np.testing.assert_array_equal([first["min"], first["max"]], [places.min(0), places.max(0)])
    assert document["asset"]["extras"]["unit"] == "m" and "Y up" in document["asset"]["extras"]["axes"]


@pytest.mark.parametrize("axes", ["iso8855", "iso4130", "j670"])
def test_glb_is_metres_with_left_on_its_plus_x_and_up_on_y(axes):
    turn = np.diag([*np.diag(FROM_ISO8855[axes]), 1.0])
    read = opened(chassis_glb(mesh_scan(), datum(axes=axes, car_from_scan=turn @ CAR_FROM_SCAN)))
    car = transform(CAR_FROM_SCAN, mesh_scan().points)
    np.testing.assert_allclose(read.vertices, car[:, [1, 2, 0]] / 1000, rtol=0, atol=1e-6)
    assert read.volume == pytest.approx(1000 / 6 * 1e-9, rel=1e-3)  # outside stays outside


def test_glb_of_far_points_keeps_a_thousandth_of_a_millimetre():
    read = opened(chassis_glb(mesh_scan(far=20000), datum()))
    car = transform(CAR_FROM_SCAN, mesh_scan(far=20000).points)
    np.testing.assert_allclose(1000 * read.vertices, car[:, [1, 2, 0]], rtol=0, atol=0.001)


@pytest.mark.parametrize("normals", [True, False])
def test_obj_reads_back_in_car_axes_and_says_unit_and_axes(normals):
    data = chassis_obj(mesh_scan(normals=normals), datum())
    read = trimesh.load(io.BytesIO(data), file_type="obj", process=False)
    places = transform(CAR_FROM_SCAN, mesh_scan().points)[:4]  # trimesh leaves out the fifth, which no triangle uses
    np.testing.assert_allclose(read.vertices, places, rtol=0, atol=0.001)
    assert read.volume == pytest.approx(1000 / 6, rel=1e-4) and read.vertices[:, 1].min() > 0
    assert b"# unit: mm" in data and b"x forward, y left, z up" in data


def test_a_cloud_has_no_glb_and_no_obj():
    for write in (chassis_glb, chassis_obj):
        with pytest.raises(DataError, match="holds triangles and this scan is a point cloud"):
            write(mesh_scan(triangles=False), datum())


def test_a_thinned_cloud_keeps_measured_points_and_more_of_them_at_edges():
    clean = flat_case.plate()[0]
    car = transform(CAR_FROM_SCAN, clean.scan.points)
    near = np.abs(car[:, 1] - 270) < 6
    clean = replace(clean, flat=np.where(near, 0.5, 0.0))
    small = thinned(clean, 4000)
    assert 3000 < len(small.points) <= 4000 and small.triangles is None
    assert {tuple(p) for p in small.points} <= {tuple(p) for p in clean.scan.points}
    kept = np.abs(transform(CAR_FROM_SCAN, small.points)[:, 1] - 270) < 6
    assert kept.mean() > 1.5 * near.mean()
    assert thinned(clean, 0) is clean.scan and thinned(clean, 10**6) is clean.scan


def test_a_thinned_mesh_keeps_its_corners_and_the_rim_of_its_hole():
    box = trimesh.creation.annulus(15.0, 60.0, 4.0, sections=64).subdivide().subdivide()
    flat = flat_case.cleaned(np.asarray(box.vertices), np.asarray(box.vertex_normals), np.asarray(box.faces, np.int32))
    small = thinned(flat, 600)
    assert len(small.triangles) <= 600
    read = trimesh.Trimesh(transform(CAR_FROM_SCAN, small.points), small.triangles, process=False)
    assert read.volume == pytest.approx(box.volume, rel=0.01)
    reach = np.hypot(*read.vertices[:, :2].T)
    assert reach.min() == pytest.approx(15.0, abs=0.1) and reach.max() == pytest.approx(60.0, abs=0.1)
    again = thinned(flat, 600)
    np.testing.assert_array_equal(again.points, small.points)


def rail(size: tuple[float, float], count: int = 5) -> Rail:
    scan_from_car = invert(CAR_FROM_SCAN)
    axes = np.eye(3) @ scan_from_car[:3, :3].T
    stations = [
        Station(transform(scan_from_car, (100.0 * i, 400.0, 50.0)), axes, size if i != 2 else (np.nan, size[1]),
                np.eye(5), (True,) * 4, 9, 0.1) for i in range(count)
    ]  # fmt: skip
    return Rail("box", tuple(stations))


def with_rail(size: tuple[float, float]):
    points = [p for p in mount_points().points if p.kind != "rail"]
    lying = point("rail-L", "rail", (200.0, 400.0, 50.0), (1.0, 0, 0), diameter=60.0, length=120.0)
    return MountPoints((*points, lying), ()), replace(features(), rails=(rail(size),))


def gmsh_read(data: bytes, folder):
    gmsh = pytest.importorskip("gmsh", exc_type=(ImportError, OSError))
    path = folder / "second.step"
    path.write_bytes(data)
    gmsh.initialize()
    gmsh.option.setNumber("General.Terminal", 0)
    gmsh.model.occ.importShapes(str(path))
    gmsh.model.occ.synchronize()
    solids = [gmsh.model.occ.getMass(3, tag) for _, tag in gmsh.model.getEntities(3)]
    centres = np.array([gmsh.model.occ.getCenterOfMass(3, tag) for _, tag in gmsh.model.getEntities(3)])
    gmsh.finalize()
    return np.array(solids), centres


def test_a_second_reader_finds_the_same_solids_in_the_same_places(tmp_path):
    points, found = with_rail((60.0, 120.0))
    volumes, centres = gmsh_read(points_step(points, found, datum()), tmp_path)
    balls = np.isclose(volumes, np.pi * 4**3 / 6, rtol=1e-6)
    located = np.array([p.position for p in points.points if p.state == "measured"])
    assert balls.sum() == len(located)
    for at in located:
        assert np.linalg.norm(centres[balls] - at, axis=1).min() < 1e-6
    (box,) = np.flatnonzero(np.isclose(volumes, 60 * 120 * 400, rtol=1e-9))
    np.testing.assert_allclose(centres[box], (200, 400, 50), atol=1e-6)
    (tube,) = np.flatnonzero(np.isclose(volumes, np.pi * 42.4**2 / 4 * 700, rtol=1e-6))
    np.testing.assert_allclose(centres[tube], (-1200, 0, 140), atol=1e-6)


def test_a_rail_whose_width_nobody_saw_has_no_solid(tmp_path):
    points, found = with_rail((np.nan, 120.0))
    plain = points_step(points, replace(found, rails=()), datum())
    assert points_step(points, found, datum()) == plain


def test_the_face_that_holes_sit_in_is_a_part():
    _, found, holes = flat_case.plate()
    data = points_step(holes, found, datum()).decode("ascii")
    assert "PRODUCT('face of a-L, b-L, c-L'" in data
