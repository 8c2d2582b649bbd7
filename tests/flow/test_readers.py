"""Every format comes back as it was written, in its unit."""

import hashlib

import numpy as np
import pytest
import scan_files as files
from readers_case import read
from scan_files import CLOUD, MESH_POINTS, NORMALS, TRIANGLES

from barerail.errors import DataError
from barerail.store import readers


def exact(scan, points=CLOUD) -> None:
    np.testing.assert_array_equal(scan.points, points)
    assert scan.points.dtype == np.float64


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("kind", ["float", "double"])
@pytest.mark.parametrize("extra", [False, True])
def test_ply_cloud_and_mesh_of_every_kind(tmp_path, form, kind, extra):
    cloud = read(files.ply(tmp_path / "cloud.ply", CLOUD, form, kind, NORMALS, None, extra))
    exact(cloud)
    np.testing.assert_allclose(cloud.normals, NORMALS, rtol=0, atol=1e-6)
    assert cloud.triangles is None and cloud.normals.dtype == np.float32
    mesh = read(files.ply(tmp_path / "mesh.ply", MESH_POINTS, form, kind, None, TRIANGLES, extra))
    exact(mesh, MESH_POINTS)
    np.testing.assert_array_equal(mesh.triangles, TRIANGLES)


def test_ply_double_keeps_digits_that_float_has_not(tmp_path):
    points = CLOUD + 1e6 + 1e-5
    assert read(files.ply(tmp_path / "a.ply", points, kind="double")).points[7, 1] == points[7, 1]


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian"])
def test_ply_polygons_become_fans(tmp_path, form):
    path = files.ply(tmp_path / "a.ply", form=form)
    head, body = path.read_bytes().split(b"end_header\n")
    head += b"element face 2\nproperty list uchar int vertex_index\nend_header\n"
    faces = [[0, 1, 2, 3], [4, 5, 6]]
    if form == "ascii":
        tail = "".join(f"{len(f)} {' '.join(map(str, f))}\n" for f in faces).encode()
    else:
        tail = b"".join(bytes([len(f)]) + np.array(f, "<i4").tobytes() for f in faces)
    path.write_bytes(head + body + tail)
    assert sorted(map(tuple, read(path).triangles.tolist())) == [(0, 1, 2), (0, 2, 3), (4, 5, 6)]


@pytest.mark.parametrize("make", [files.stl, files.stl_text])
def test_stl_joins_equal_corners_and_nothing_else(tmp_path, make):
    scan = read(make(tmp_path / "a.stl"))
    exact(scan, MESH_POINTS + 0.0)
    np.testing.assert_array_equal(scan.triangles, TRIANGLES)


def test_stl_of_bytes_may_start_with_solid(tmp_path):
    exact(read(files.stl(tmp_path / "a.stl", header=b"solid facet by a scanner")), MESH_POINTS + 0.0)


def test_obj_with_quads_texture_numbers_and_counting_from_the_end(tmp_path):
    faces = ["f 1/1/1 2/2 3//3 4", "f -1 -2 -3", "v 1 2 3", "f -1 1 2"]
    scan = read(files.obj(tmp_path / "a.obj", faces=faces))
    n = len(MESH_POINTS)
    assert len(scan.points) == n + 1
    found = sorted(map(tuple, scan.triangles.tolist()))
    assert found == sorted([(0, 1, 2), (0, 2, 3), (n - 1, n - 2, n - 3), (n, 0, 1)])


@pytest.mark.parametrize(
    "name, layout",
    [
        ("a.xyz", dict()),
        ("a.xyz", dict(separator="\t", tail="\t0.5\tword")),
        ("a.csv", dict(separator=",", head="x,y,z\n")),
        ("a.csv", dict(separator=", ", head="\ufeff# a scan\n\n# of mine\n")),
        ("a.csv", dict(separator=";", comma=True)),
        ("a.txt", dict(separator=";", head="X;Y;Z;intensity\n", tail=";17")),
        ("a.asc", dict(comma=True)),
        ("a.pts", dict(head=f"{len(CLOUD)}\n", tail=" -120 30 40 50")),
    ],
)
def test_text_in_many_layouts(tmp_path, name, layout):
    scan = read(files.text(tmp_path / name, **layout))
    exact(scan)
    assert scan.normals is None


def test_text_columns_by_name_with_their_unit(tmp_path):
    rows = np.column_stack([np.arange(len(CLOUD)), CLOUD[:, [2, 0, 1]] / 25.4, NORMALS])
    scan = read(files.text(tmp_path / "a.csv", rows, ",", "id,z_in,x_in,y_in,nx,ny,nz\n"))
    np.testing.assert_allclose(scan.points, CLOUD, rtol=0, atol=1e-9)
    np.testing.assert_allclose(scan.normals, NORMALS, rtol=0, atol=1e-6)
    assert (scan.unit, scan.unit_assumed) == ("in", False)


def test_text_with_unit_vectors_behind_has_normals_and_with_colours_has_none(tmp_path):
    with_normals = read(files.text(tmp_path / "a.xyz", np.hstack([CLOUD, NORMALS])))
    np.testing.assert_allclose(with_normals.normals, NORMALS, rtol=0, atol=1e-6)
    assert read(files.text(tmp_path / "b.xyz", np.hstack([CLOUD, np.full_like(CLOUD, 200.0)]))).normals is None


def test_normals_of_a_mesh_come_from_its_winding(tmp_path):
    grid = np.stack(np.meshgrid(np.linspace(0, 2000, 110), np.linspace(0, 500, 100), indexing="ij"), -1).reshape(-1, 2)
    slope = np.column_stack([grid, 0.5 * grid[:, 0]])
    at = np.arange(109 * 100).reshape(109, 100)[:, :99].ravel()
    up = np.concatenate([np.column_stack([at, at + 100, at + 1]), np.column_stack([at + 1, at + 100, at + 101])])
    points = np.concatenate([slope, slope + np.array([0, 0, 900])])
    scan = read(
        files.ply(tmp_path / "a.ply", points, kind="double", triangles=np.concatenate([up, up[:, ::-1] + len(slope)]))
    )
    # Normal of z = x / 2 wound upwards, by hand; the second sheet is wound the other way.
    expected = np.array([-0.5, 0, 1]) / np.sqrt(1.25)
    np.testing.assert_allclose(scan.normals[: len(slope)], np.tile(expected, (len(slope), 1)), rtol=0, atol=1e-6)
    np.testing.assert_allclose(scan.normals[len(slope) :], np.tile(-expected, (len(slope), 1)), rtol=0, atol=1e-6)


def test_source_says_which_file_it_was(tmp_path):
    path = files.ply(tmp_path / "frame.ply")
    (source,) = read(path).sources
    assert (source.name, source.bytes, source.rows) == ("frame.ply", path.stat().st_size, (0, len(CLOUD)))
    assert source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_unfinite_points_are_dropped_counted_and_their_faces_too(tmp_path):
    points = MESH_POINTS.copy()
    points[[5, 900], [0, 2]] = np.nan, -1e38
    scan = read(files.ply(tmp_path / "a.ply", points, triangles=TRIANGLES))
    exact(scan, np.delete(MESH_POINTS, [5, 900], axis=0))
    assert len(scan.triangles) == len(TRIANGLES) - 6
    np.testing.assert_array_equal(scan.points[scan.triangles[-1]], MESH_POINTS[TRIANGLES[-1]])
    (note,) = [n for n in scan.notes if "finite" in n.text]
    assert note.count == 2 and note.warning


@pytest.mark.parametrize("unit, mm", [("mm", 1.0), ("m", 1000.0), ("cm", 10.0), ("in", 25.4), ("ft", 304.8)])
def test_unit_given_or_stated_is_not_assumed(tmp_path, unit, mm):
    given = read(files.ply(tmp_path / "a.ply", CLOUD / mm, kind="double"), unit)
    stated = read(files.ply(tmp_path / "b.ply", CLOUD / mm, kind="double", comment=f"unit: {unit}"))
    for scan in (given, stated):
        np.testing.assert_allclose(scan.points, CLOUD, rtol=0, atol=1e-9)
        assert (scan.unit, scan.mm_per_unit, scan.unit_assumed) == (unit, mm, False)


@pytest.mark.parametrize(
    "size_mm, unit",
    [(850, "mm"), (6900, "mm"), (9000, "mm"), (850, "m"), (6900, "m"), (4000, "cm"), (3300, "in"), (5000, "ft")],
)
def test_unit_judged_from_the_size_is_said_to_be_assumed(tmp_path, size_mm, unit):
    mm = {"mm": 1, "cm": 10, "m": 1000, "in": 25.4, "ft": 304.8}[unit]
    points = CLOUD * (size_mm / 4050)
    scan = read(files.ply(tmp_path / "a.ply", points / mm, kind="double"))
    assert (scan.unit, scan.unit_assumed) == (unit, True)
    assert any(f"assumed to be {unit}" in note.text and note.warning for note in scan.notes)


@pytest.mark.parametrize("length, rivals", [(200, ("cm", "in")), (10, ("m", "ft"))])
def test_unit_that_may_be_two_is_asked_for_with_both(tmp_path, length, rivals):
    path = files.ply(tmp_path / "a.ply", CLOUD * length / 4050, kind="double")
    with pytest.raises(DataError, match=rf"unit is open.*read as {rivals[0]}.*read as {rivals[1]}.*--unit"):
        read(path)


@pytest.mark.parametrize(
    "unit, words", [("m", "read as m .*larger than 15 m"), ("auto", "which is 0.3 m to 15 m in no unit")]
)
def test_size_that_no_chassis_has(tmp_path, unit, words):
    factor = 1.0 if unit == "m" else 1e3
    with pytest.raises(DataError, match=words):
        read(files.ply(tmp_path / "a.ply", CLOUD * factor), unit)


def test_size_too_small_for_the_unit_given(tmp_path):
    with pytest.raises(DataError, match=r"read as mm the scan is 0\.00.* m long, smaller than 0\.3 m"):
        read(files.ply(tmp_path / "a.ply", CLOUD / 1000), "mm")


def test_a_stray_point_does_not_change_the_size(tmp_path):
    points = CLOUD.copy()
    points[3] = 1e6
    assert read(files.ply(tmp_path / "a.ply", points)).unit == "mm"


def test_scale_multiplies_what_was_read_and_says_so(tmp_path):
    path = files.ply(tmp_path / "a.ply", MESH_POINTS)
    scaled = readers.read([path], "mm", 1.002)
    assert np.allclose(scaled.points, readers.read([path], "mm").points * 1.002, rtol=0, atol=1e-9)
    assert scaled.mm_per_unit == 1.002 and scaled.notes[-1].text == "a.ply: lengths times 1.002, as asked"


def test_the_scan_file_stays_as_it_was(tmp_path):
    path = files.ply(tmp_path / "a.ply", MESH_POINTS, triangles=TRIANGLES)
    before = path.read_bytes()
    scan = read(path)
    assert path.read_bytes() == before and not scan.points.flags.writeable
