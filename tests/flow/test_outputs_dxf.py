"""points.dxf opened by the file's own audit: unit, layers, places, circles in their planes, names."""

import io
import os
import subprocess
import sys

import ezdxf
import numpy as np
import pytest
from outputs_case import datum, many_points, mount_points, point

from barerail.outputs.dxf import points_dxf
from barerail.outputs.view import View, seen
from barerail.records import MountPoints


@pytest.fixture(scope="module")
def drawing():
    return ezdxf.read(io.StringIO(points_dxf(mount_points(), datum()).decode()))


def on(drawing, kind: str, layer: str) -> list:
    return drawing.modelspace().query(f'{kind}[layer=="{layer}"]').entities


def test_audit_is_clean_and_unit_is_mm(drawing):
    audit = drawing.audit()
    assert not audit.errors and not audit.fixes
    assert drawing.header["$INSUNITS"] == 4 and drawing.dxfversion == "AC1024"


def test_every_located_point_has_its_place_name_and_layer(drawing):
    found = {}
    for entity in drawing.modelspace().query("POINT"):
        name, kind, side, state = (tag.value for tag in entity.get_xdata("BARERAIL")[-4:])
        assert entity.dxf.layer == f"{kind}-{side}".upper() and state == "measured"
        found[name] = np.array(entity.dxf.location)
    located = [p for p in mount_points().points if p.state == "measured"]
    assert set(found) == {p.name for p in located}
    for p in located:
        np.testing.assert_allclose(found[p.name], p.position, rtol=0, atol=1e-9)
    layers = {layer.dxf.name for layer in drawing.layers}
    assert {"HOLE-L", "HOLE-R", "SLOT-L", "TUBE-C", "BOLT-AXIS-L", "LABEL", "DATUM"} <= layers


def test_labels_read_as_the_names(drawing):
    said = [text.plain_text() for text in on(drawing, "TEXT", "LABEL")]
    assert said == [p.name for p in mount_points().points if p.state == "measured"]


def test_left_is_left(drawing):
    (circle, _) = on(drawing, "CIRCLE", "HOLE-L")
    assert circle.ocs().to_wcs(circle.dxf.center).y > 0
    assert all(e.dxf.location.y > 0 for e in on(drawing, "POINT", "HOLE-L"))
    (right,) = on(drawing, "CIRCLE", "HOLE-R")
    assert right.ocs().to_wcs(right.dxf.center).y < 0


def test_holes_are_circles_in_their_true_planes(drawing):
    hole = mount_points().points[0]
    circles = on(drawing, "CIRCLE", "HOLE-L")
    assert len(circles) == 2
    for circle, centre in zip(circles, hole.ends):
        rim = np.array([tuple(v) for v in circle.vertices([0, 90, 200])]) - centre
        np.testing.assert_allclose(np.linalg.norm(rim, axis=1), hole.diameter / 2, atol=1e-9)
        np.testing.assert_allclose(rim @ hole.axis, 0, atol=1e-9)


def test_axes_have_their_length(drawing):
    def lines(layer: str) -> list[float]:
        return [(e.dxf.end - e.dxf.start).magnitude for e in on(drawing, "LINE", layer)]

    assert lines("TUBE-C") == pytest.approx([700.0]) and lines("BOLT-AXIS-L") == pytest.approx([46.0])
    assert lines("STUD-R") == pytest.approx([25.0]) and lines("TUBE-NODE-L") == []


def test_slot_is_a_closed_outline_of_its_length_and_width(drawing):
    (outline,) = on(drawing, "LWPOLYLINE", "SLOT-L")
    slot = mount_points().points[2]
    path = ezdxf.path.make_path(outline)
    edge = np.array([tuple(v) for v in path.flattening(0.0001)]) - slot.position
    along, across = edge @ slot.along, edge @ np.cross(slot.axis, slot.along)
    assert outline.closed
    assert np.ptp(along) == pytest.approx(21.0, abs=1e-3) and np.ptp(across) == pytest.approx(9.0, abs=1e-3)
    np.testing.assert_allclose(edge @ slot.axis, 0, atol=1e-9)


@pytest.mark.parametrize("axis", [(0.0, 0, -1), (0.0, -1, 0), (-0.6, 0.0, -0.8)])
def test_a_hole_seen_from_below_is_not_mirrored(axis):
    made = MountPoints((point("under", "hole", (700.0, 420.0, -12.0), axis),), ())
    (circle,) = ezdxf.read(io.StringIO(points_dxf(made, datum()).decode())).modelspace().query("CIRCLE")
    np.testing.assert_allclose(tuple(circle.ocs().to_wcs(circle.dxf.center)), (700, 420, -12), atol=1e-9)


def test_header_words_and_axes_are_in_the_drawing():
    data = points_dxf(mount_points(), datum(assumed=("front",)))
    words = [t.plain_text() for t in ezdxf.read(io.StringIO(data.decode())).modelspace().query("TEXT")]
    said = " ".join(words)
    for text in ("x forward", "y left", "z up", "unit: mm", "UNCONFIRMED", "origin: x = 0"):
        assert text in said


@pytest.mark.parametrize("axes", ["iso8855", "j670"])
def test_a_drawing_with_z_down_says_that_it_shows_the_car_from_below(axes):
    turned, car = seen(mount_points(), datum(), View(axes))
    texts = ezdxf.read(io.StringIO(points_dxf(turned, car).decode())).modelspace().query("TEXT")
    assert any("shows the car from below" in t.plain_text() for t in texts) == (axes == "j670")


def test_same_bytes_and_the_writer_is_left_as_it_was():
    before = ezdxf.options.write_fixed_meta_data_for_testing
    assert points_dxf(mount_points(), datum()) == points_dxf(mount_points(), datum())
    assert ezdxf.options.write_fixed_meta_data_for_testing == before


SUM = """
import hashlib
from outputs_case import datum, mount_points
from barerail.outputs.dxf import points_dxf
from barerail.outputs.view import View, seen
print(hashlib.sha256(points_dxf(mount_points(), datum())).hexdigest())
"""


def test_same_bytes_from_processes_that_order_sets_in_other_ways():
    paths = {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    told = {
        subprocess.run(
            [sys.executable, "-c", SUM],
            env=os.environ | paths | {"PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("1", "2", "3", "4")
    }
    assert len(told) == 1 and told.pop().strip()


def test_nothing_found_still_makes_a_drawing():
    data = points_dxf(MountPoints((), ()), datum())
    assert not ezdxf.read(io.StringIO(data.decode())).audit().errors


def test_a_thousand_points_read_back():
    made = many_points(1000)
    drawing = ezdxf.read(io.StringIO(points_dxf(made, datum()).decode()))
    at = np.array([tuple(e.dxf.location) for e in drawing.modelspace().query("POINT")])
    np.testing.assert_allclose(at, [p.position for p in made.points], atol=1e-9)
