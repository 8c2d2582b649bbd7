"""Sections of clouds and meshes read back: true size, left on the left, the gap outside, and what is refused."""

import io

import ezdxf
import flat_case
import numpy as np
import pytest
import trimesh
from outputs_case import datum, mount_points

from barerail.asked import SectionSettings
from barerail.errors import DataError, UsageError
from barerail.outputs.section import section

AT = np.array([500.0, 420.0, 60.0])


def box_scan(mesh: bool):
    box = trimesh.creation.box((300.0, 60.0, 100.0))
    if mesh:
        box = box.subdivide().subdivide().subdivide()
        return flat_case.cleaned(np.asarray(box.vertices) + AT, np.asarray(box.vertex_normals), np.asarray(box.faces))
    grid = [np.arange(-s / 2 + 0.5, s / 2, 1.0) for s in (300.0, 60.0, 100.0)]
    sides, normals = [], []
    for k, half in enumerate((150.0, 30.0, 50.0)):
        u, v = (g.ravel() for g in np.meshgrid(*(g for i, g in enumerate(grid) if i != k)))
        for sign in (1, -1):
            sides.append(np.insert(np.column_stack([u, v]), k, sign * half, axis=1))
            normals.append(np.tile(sign * np.eye(3)[k], (len(u), 1)))
    return flat_case.cleaned(np.vstack(sides) + AT, np.vstack(normals))


def cut(mesh: bool, **asked):
    written = section(box_scan(mesh), datum(), mount_points(), SectionSettings(**asked))
    (name,) = [n for n in written.files if n.endswith(".dxf")]
    return written, ezdxf.read(io.StringIO(written.files[name].decode("cp1252")))


def lines(document, layer: str) -> list[np.ndarray]:
    return [np.array(e.get_points("xy")) for e in document.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')]


@pytest.mark.parametrize("mesh", [True, False])
@pytest.mark.parametrize(
    ("asked", "low", "high"),
    [
        ({"x": 512.0}, (390, 10), (450, 110)),
        ({"y": 425.0}, (350, 10), (650, 110)),
        ({"z": 43.0}, (350, 390), (650, 450)),
    ],
)
def test_a_box_is_cut_where_it_is_and_as_large_as_it_is(mesh, asked, low, high):
    written, document = cut(mesh, **asked)
    assert not document.audit().errors and document.header["$INSUNITS"] == 4
    corners = np.vstack(lines(document, "SECTION"))
    np.testing.assert_allclose([corners.min(0), corners.max(0)], [low, high], atol=0.01 if mesh else 0.6)
    assert [n for n in written.files if n.endswith(".png")]


def test_a_mesh_gives_a_closed_line_and_the_words_name_the_axes():
    _, document = cut(True, x=512.0)
    (entity,) = document.modelspace().query("LWPOLYLINE")
    assert entity.closed
    said = " ".join(t.dxf.text for t in document.modelspace().query("TEXT"))
    assert "plane: x = 512 mm; drawing right: y (left); drawing up: z (up); seen from +x" in said


@pytest.mark.parametrize("mesh", [True, False])
def test_the_gap_runs_outside_at_its_distance(mesh):
    _, document = cut(mesh, x=512.0, gap_mm=3.0)
    away = np.vstack(lines(document, "GAP")) - AT[1:]
    beyond = np.maximum(np.abs(away) - (30, 50), 0)
    assert np.hypot(*beyond.T) == pytest.approx(3.0, abs=0.03 if mesh else 0.7)
    np.testing.assert_allclose(np.abs(away).max(0), (33, 53), atol=0.03 if mesh else 0.2)


def test_three_points_make_a_plane_with_the_first_as_origin():
    names = ("right hole", "rail L", "pad")
    a, b, c = (next(p.position for p in mount_points().points if p.name == n) for n in names)
    assert np.linalg.norm(np.cross(b - a, c - a)) > 1
    written, document = cut(True, points=names)
    assert "export/section-right hole-rail L-pad.dxf" in written.files
    said = " ".join(t.dxf.text for t in document.modelspace().query("TEXT"))
    assert "from right hole towards rail L" in said
    normal = np.cross(b - a, c - a) / np.linalg.norm(np.cross(b - a, c - a))
    right = (b - a) / np.linalg.norm(b - a)
    flat = np.vstack(lines(document, "SECTION"))
    back = a + flat[:, :1] * right + flat[:, 1:] * np.cross(normal, right)
    assert (np.abs(back - AT).max(0) <= np.array([150, 30, 50]) + 0.01).all()


@pytest.mark.parametrize(
    ("asked", "error", "words"),
    [
        ({}, UsageError, "takes one plane"),
        ({"x": 1.0, "y": 2.0}, UsageError, "takes one plane"),
        ({"points": ("pad", "rail L")}, UsageError, "three names"),
        ({"points": ("pad", "rail L", "lost")}, UsageError, "'lost'"),
        ({"points": ("pad", "rail L", "not there")}, UsageError, "'not there'"),
        ({"points": ("pad", "rail L", "#5, 日本 😀", "x")}, UsageError, "three names"),
        ({"points": ("pad", "pad", "rail L")}, DataError, "on one line"),
        ({"x": 3000.0}, DataError, "misses the chassis, which lies from -2650 to -2350 mm of it"),
    ],
)
def test_what_cannot_be_cut_is_refused(asked, error, words):
    with pytest.raises(error, match=words):
        cut(True, **asked)


def test_same_bytes_again():
    assert cut(False, x=512.0, gap_mm=3.0)[0].files == cut(False, x=512.0, gap_mm=3.0)[0].files
