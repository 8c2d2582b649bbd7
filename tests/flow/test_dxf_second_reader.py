"""Our DXF files opened by a reader of its own descent: the DXF driver of GDAL (C++, through pyogrio)."""

import struct
from collections import defaultdict
from pathlib import Path

import flat_case
import numpy as np
import pyogrio
import pytest
from outputs_case import datum, mount_points
from test_section import AT, box_scan

from barerail.asked import SectionSettings, TemplateSettings
from barerail.outputs.dxf import points_dxf
from barerail.outputs.section import section
from barerail.outputs.template import template

Shapes = dict[tuple[str, str], list[tuple[np.ndarray, str]]]
"""Vertices (n, 3), mm, and text of each entity, by layer and kind of entity."""


def opened(data: bytes, folder: Path) -> Shapes:
    path = folder / "second.dxf"
    path.write_bytes(data)
    # From AC1021 on a DXF is UTF-8 whatever its $DWGCODEPAGE says; this reader goes by the code page unless told.
    pyogrio.set_gdal_config_options({"DXF_ENCODING": "UTF-8" if b"AC1024" in data[:400] else None})
    meta, _, shapes, columns = pyogrio.raw.read(path)
    pyogrio.set_gdal_config_options({"DXF_ENCODING": None})
    table = dict(zip(meta["fields"].tolist(), columns, strict=True))
    found: Shapes = defaultdict(list)
    for layer, kind, text, shape in zip(table["Layer"], table["SubClasses"], table["Text"], shapes, strict=True):
        found[layer, kind.split(":")[1].removeprefix("AcDb")].append((vertices(shape), text or ""))
    return found


def vertices(wkb: bytes) -> np.ndarray:
    """Of a point or a line string in well-known binary (OGC 06-103r4, 8.2), its highest bit set where it has z."""
    order = "<" if wkb[0] else ">"
    told = struct.unpack(f"{order}I", wkb[1:5])[0]
    high, kind = bool(told & 0x80000000), told & 0x7FFFFFFF
    assert kind in (1, 2), kind
    flat = np.frombuffer(wkb[5 if kind == 1 else 9 :], f"{order}f8").reshape(-1, 3 if high else 2)
    return flat if high else np.column_stack([flat, np.zeros(len(flat))])


@pytest.fixture(scope="module")
def drawing(tmp_path_factory) -> Shapes:
    return opened(points_dxf(mount_points(), datum()), tmp_path_factory.mktemp("second"))


def located() -> list:
    return [p for p in mount_points().points if p.state == "measured"]


def layer_of(p) -> str:
    return f"{p.kind}-{p.side}".upper()


def test_each_point_is_on_its_layer_in_its_place_and_its_name_is_written(drawing):
    for p in located():
        near = [np.linalg.norm(at[0] - p.position) for at, _ in drawing[layer_of(p), "Point"]]
        assert min(near) < 1e-9, p.name
    points = [at for (_, kind), rows in drawing.items() if kind == "Point" for at, _ in rows]
    assert len(points) == len(located())
    # This reader takes %%d for a degree sign, but not %%% for the percent sign that TEXT wants it written as.
    for (_, text), p in zip(drawing["LABEL", "Text"], located(), strict=True):
        assert text == p.name or "%%" in p.name


def test_holes_lie_on_their_rims_in_their_own_planes(drawing):
    """The turn of a circle's own axes into the car's (DXF reference, arbitrary axis) as the other reader has it."""
    holes = [p for p in located() if p.kind == "hole"]
    for p in holes:
        faces = p.ends if len(p.ends) else p.position[None]
        for face in faces:
            fits = [
                np.abs(np.linalg.norm(rim - face, axis=1) - p.diameter / 2).max() < 1e-6
                and np.abs((rim - face) @ p.axis).max() < 1e-6
                for rim, _ in drawing[layer_of(p), "Circle"]
            ]
            assert sum(fits) == 1, p.name
    assert len(holes) >= 2


def test_a_slot_has_its_length_and_width_in_its_plane(drawing):
    (slot,) = [p for p in located() if p.kind == "slot"]
    ((edge, _),) = drawing[layer_of(slot), "Polyline"]
    edge = edge - slot.position
    across = np.cross(slot.axis, slot.along)
    assert np.abs(edge @ slot.axis).max() < 1e-6 and np.abs(edge[0] - edge[-1]).max() < 1e-9
    assert np.ptp(edge @ slot.along) == pytest.approx(21.0, abs=0.01)
    assert np.ptp(edge @ across) == pytest.approx(9.0, abs=0.01)


def test_axes_have_their_length(drawing):
    lengths = {
        layer: [float(np.linalg.norm(at[1] - at[0])) for at, _ in drawing[layer, "Line"]]
        for layer in ("TUBE-C", "BOLT-AXIS-L", "STUD-R")
    }
    assert lengths == {k: pytest.approx(v) for k, v in {"TUBE-C": [700], "BOLT-AXIS-L": [46], "STUD-R": [25]}.items()}


@pytest.mark.parametrize("mesh", [True, False])
def test_a_section_is_where_and_as_large_as_the_box_is(mesh, tmp_path):
    written = section(box_scan(mesh), datum(), mount_points(), SectionSettings(x=512.0))
    (data,) = (data for name, data in written.files.items() if name.endswith(".dxf"))
    lines = np.vstack([at for at, _ in opened(data, tmp_path)["SECTION", "Polyline"]])[:, :2]
    half = np.array([30, 50])
    np.testing.assert_allclose([lines.min(0), lines.max(0)], [AT[1:] - half, AT[1:] + half], atol=0.01 if mesh else 0.6)


def test_a_template_s_holes_have_their_size_and_distance(tmp_path):
    """ISO 273 medium: M10 11.0 mm, M8 9.0 mm; 30 mm is past the table, so nothing is cut."""
    clean, found, holes = flat_case.plate()
    written = template(clean, found, datum(), holes, TemplateSettings(face="a-L"))
    (data,) = (data for name, data in written.files.items() if name.endswith(".dxf"))
    shapes = opened(data, tmp_path)
    for layer, sizes in (("CUT", [9.0, 11.0]), ("REFERENCE", [9.0, 10.6, 30.0])):
        rims = sorted((rim[:, :2] for rim, _ in shapes[layer, "Circle"]), key=lambda rim: np.ptp(rim[:, 0]))
        centres = [(rim.min(0) + rim.max(0)) / 2 for rim in rims]
        around = [2 * np.linalg.norm(rim - c, axis=1) for rim, c in zip(rims, centres, strict=True)]
        for size, both in zip(sizes, around, strict=True):
            assert both == pytest.approx(np.full(len(both), size), abs=1e-3)
        assert np.linalg.norm(centres[1] - centres[0]) == pytest.approx(70.0, abs=1e-3)
