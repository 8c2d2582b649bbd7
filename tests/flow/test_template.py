"""Templates read back: sizes by the standard, layers, left and right, true scale on paper, and what is refused."""

import csv
import io
import re
from dataclasses import replace
from xml.etree import ElementTree

import ezdxf
import flat_case
import numpy as np
import pytest
import trimesh
from flat_case import TALL, WIDE, plate
from outputs_case import datum, point

from barerail.asked import TemplateSettings
from barerail.errors import DataError, UsageError
from barerail.outputs.flat import CUT, Path, Sheet
from barerail.outputs.pages import sheet_pdf
from barerail.outputs.template import template
from barerail.records import MountPoints


def made(mounts: MountPoints | None = None, car=None, **asked):
    clean, features, holes = plate()
    return template(clean, features, car or datum(), mounts or holes, TemplateSettings(**asked))


@pytest.fixture(scope="module")
def face():
    return made(face="a-L", part="104-L", material="S235", thickness_mm=3.0, quantity=2, pair=True)


def drawing(written, name: str):
    return ezdxf.read(io.StringIO(written.files[f"export/template-{name}.dxf"].decode("cp1252")))


def circles(document, layer: str) -> list[tuple[float, float, float]]:
    found = document.modelspace().query(f'CIRCLE[layer=="{layer}"]')
    return sorted((c.dxf.center.x, c.dxf.center.y, 2 * c.dxf.radius) for c in found)


def test_dxf_is_r2000_in_mm_and_holds_what_cutters_read(face):
    document = drawing(face, "104-L")
    audit = document.audit()
    assert not audit.errors and not audit.fixes
    assert document.dxfversion == "AC1015" and document.header["$INSUNITS"] == 4
    for layer in ("CUT", "REFERENCE"):
        assert {e.dxftype() for e in document.modelspace() if e.dxf.layer == layer} <= {"CIRCLE", "LINE", "ARC"}
    assert {e.dxf.layer for e in document.modelspace().query("TEXT")} == {"TEXT"}


def test_each_hand_carries_the_names_of_its_own_side(face):
    for hand in "LR":
        words = {e.dxf.text for e in drawing(face, f"104-{hand}").modelspace().query("TEXT")}
        other = "R" if hand == "L" else "L"
        assert f"a-{hand}" in words and not any(w.startswith(f"a-{other}") for w in words)


def test_a_second_reader_finds_the_same_circles(face):
    read = trimesh.load(io.BytesIO(face.files["export/template-104-L.dxf"]), file_type="dxf")
    found = [2 * e.center(read.vertices).radius for e in read.entities if type(e).__name__ == "Arc" and e.closed]
    assert sorted(found) == pytest.approx([9.0, 9.0, 10.6, 11.0, 30.0])
    assert {str(layer) for layer in read.layers} >= {"CUT", "REFERENCE"}


def test_holes_are_cut_at_the_medium_size_and_drawn_as_measured(face):
    # ISO 273 medium (H13): M10 11.0 mm, M8 9.0 mm; 30 mm is past the table, so nothing is cut
    cut, measured = circles(drawing(face, "104-L"), "CUT"), circles(drawing(face, "104-L"), "REFERENCE")
    assert sorted(d for *_, d in cut) == pytest.approx([9.0, 11.0])
    assert sorted(d for *_, d in measured) == pytest.approx([9.0, 10.6, 30.0])
    between = np.subtract(*(np.array(c[:2]) for c in cut))
    assert np.hypot(*between) == pytest.approx(70.0, abs=1e-9)


def test_left_is_left_seen_from_ahead_and_the_pair_is_its_mirror(face):
    # from ahead of the car the car's left, larger y, lies on the viewer's right; b-L is 70 mm further left than a-L
    place = {round(d, 1): (x, y) for x, y, d in circles(drawing(face, "104-L"), "REFERENCE")}
    assert place[9.0][0] - place[10.6][0] == pytest.approx(70.0) and place[30.0][1] - place[9.0][1] == pytest.approx(50)
    other = {round(d, 1): (x, y) for x, y, d in circles(drawing(face, "104-R"), "REFERENCE")}
    assert other[9.0][0] - other[10.6][0] == pytest.approx(-70.0)
    said = " ".join(t.dxf.text for t in drawing(face, "104-L").modelspace().query("TEXT"))
    assert "from ahead of the car, looking rearward" in said and "left part, as measured" in said
    mirrored = " ".join(t.dxf.text for t in drawing(face, "104-R").modelspace().query("TEXT"))
    assert "right part, MIRRORED" in mirrored


def test_outline_is_closed_and_as_large_as_the_plate(face):
    lines = drawing(face, "104-L").modelspace().query('LINE[layer=="CUT"]')
    ends = [tuple(np.round(e, 9)) for line in lines for e in (line.dxf.start, line.dxf.end)]
    assert all(ends.count(e) == 2 for e in ends)
    size = np.ptp(np.array(ends)[:, :2], axis=0)
    np.testing.assert_allclose(size, (WIDE, TALL), atol=2 * flat_case.STEP)


def test_points_take_only_those_named_and_a_margin():
    document = drawing(made(points=("a-L", "b-L"), margin_mm=15.0), "a-L")
    assert len(circles(document, "CUT")) == 2
    ends = np.array([tuple(line.dxf.start) for line in document.modelspace().query('LINE[layer=="CUT"]')])
    assert np.ptp(ends[:, 0]) == pytest.approx(70 + 2 * 15 + (10.6 + 9.0) / 2, abs=0.1)


def test_a_size_may_be_asked_for_and_a_big_hole_is_only_cut_then():
    document = drawing(made(face="a-L", sizes={"c-L": "32.5", "a-L": "M12"}), "a-L")
    assert sorted(d for *_, d in circles(document, "CUT")) == pytest.approx([9.0, 13.5, 32.5])


def test_warnings_where_u_eats_the_clearance_and_where_the_bolt_is_a_guess():
    vague = flat_case.holes(cov_local=np.eye(3) * 0.16, u_diameter=0.6)
    said = [n.text for n in made(vague, face="a-L").notes]
    assert any("a-L: U 0.80 mm of place eats the radial clearance 0.50 mm of M10 in 11 mm" in t for t in said)
    assert any("a-L: M10 is a guess" in t for t in said)
    assert any("c-L: no bolt of ISO 273 fits 30.0 mm" in t for t in said)
    assert not any("eats" in n.text for n in made(face="a-L").notes)


def test_a_slot_is_lines_and_arcs_of_its_length():
    slot = point("s-L", "slot", (250.0, 300.0, 170.0), (1.0, 0, 0), diameter=8.6, length=20.6, feature=0,
                 along=np.array([0.0, 1, 0]), cov_local=np.eye(3) * 0.0025)  # fmt: skip
    document = drawing(made(MountPoints((*flat_case.holes().points, slot), ()), face="a-L"), "a-L")
    arcs = document.modelspace().query('ARC[layer=="CUT"]')
    assert [a.dxf.radius for a in arcs] == pytest.approx([4.5, 4.5])  # M8 medium 9.0 mm
    assert arcs[0].dxf.center.distance(arcs[1].dxf.center) == pytest.approx(12.0)


def test_svg_is_true_scale_with_a_group_a_layer(face):
    root = ElementTree.fromstring(face.files["export/template-104-L.svg"])
    box = [float(v) for v in root.get("viewBox").split()]
    assert [float(root.get(k).removesuffix("mm")) for k in ("width", "height")] == pytest.approx(box[2:])
    groups = {g.get("id"): g for g in root if g.tag.endswith("}g")}
    assert set(groups) == {"CUT", "REFERENCE", "TEXT"}
    radii = sorted(float(c.get("r")) for c in groups["CUT"] if c.tag.endswith("circle"))
    assert radii == pytest.approx([4.5, 5.5])


def dark(page, dpi: int) -> np.ndarray:
    return np.asarray(page.render(scale=dpi / 72, grayscale=True).to_pil()) < 128


def test_the_check_squares_print_at_100_mm(face):
    pdfium = pytest.importorskip("pypdfium2")
    page = pdfium.PdfDocument(face.files["export/template-104-L.pdf"])[0]
    assert np.array(page.get_size()) / 72 * 25.4 == pytest.approx([210, 297], abs=0.01)
    ink, mm = dark(page, 300), 25.4 / 300
    tall, wide = (np.flatnonzero(ink.sum(axis=k) > 1000) for k in (0, 1))
    for lines, places in ((tall, 4), (wide, 4)):
        centres = np.array([g.mean() for g in np.split(lines, np.flatnonzero(np.diff(lines) > 2) + 1)]) * mm
        assert len(centres) == places
        sides = [b - a for a in centres for b in centres if abs(b - a - 100) < 1]
        assert sides == pytest.approx([100.0, 100.0], abs=0.1)


def test_a_printed_hole_is_its_size():
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(made(points=("a-L", "b-L"), margin_mm=15.0).files["export/template-a-L.pdf"])
    page = np.asarray(document[len(document) - 1].render(scale=300 / 72).to_pil()).astype(int)
    red, mm = page[..., 0] - page[..., 1] > 120, 25.4 / 300  # the layer CUT
    across = np.nonzero(red)[1]
    assert (across.max() - across.min()) * mm == pytest.approx(70 + 2 * 15 + (10.6 + 9.0) / 2, abs=0.4)
    holes_row = int(np.nonzero(red)[0].max() - (15 + 10.6 / 2) / mm)
    at = np.flatnonzero(red[holes_row + 30]) * mm  # 2.5 mm lower: clear of the centre marks
    lines = np.array([g.mean() for g in np.split(at, np.flatnonzero(np.diff(at) > 0.5) + 1)])
    chords = [2 * np.sqrt((d / 2) ** 2 - (30 * mm) ** 2) for d in (11.0, 9.0)]
    assert np.diff(lines)[[1, 3]] == pytest.approx(chords, abs=0.3)
    assert (lines[3] + lines[4] - lines[1] - lines[2]) / 2 == pytest.approx(70.0, abs=0.1)


def test_viewers_are_told_not_to_scale_and_nothing_changes_from_run_to_run(face):
    assert b"/PrintScaling /None" in face.files["export/template-104-L.pdf"]
    again = made(face="a-L", part="104-L", material="S235", thickness_mm=3.0, quantity=2, pair=True)
    assert again.files == face.files


def test_a_long_face_goes_over_several_tiles():
    pdfium = pytest.importorskip("pypdfium2")
    one = len(pdfium.PdfDocument(made(points=("a-L", "b-L")).files["export/template-a-L.pdf"]))
    box = np.array([(0.0, 0), (400, 0), (400, 600), (0, 600), (0, 0)])
    pages = len(pdfium.PdfDocument(sheet_pdf(Sheet("big", (Path(CUT, box),), ("note",)))))
    assert one == 3 and pages == 2 + 3 * 3


def test_the_cut_list_has_a_row_a_hand(face):
    lines = face.files["export/template-104-L-cut-list.csv"].decode().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert [(r["file"], r["hand"]) for r in rows] == [
        ("template-104-L.dxf", "left"),
        ("template-104-R.dxf", "right"),
    ]
    assert rows[0]["material"] == "S235" and float(rows[0]["thickness_mm"]) == 3.0 and rows[0]["quantity"] == "2"
    assert rows[0]["holes"] == "1 x 11 mm, 1 x 9 mm" and rows[0]["pierces"] == "3"
    assert float(rows[0]["cut_length_mm"]) == pytest.approx(2 * (WIDE + TALL) + np.pi * 20, rel=0.02)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({}, "either --face NAME or --points"),
        ({"face": "a-L", "points": ("b-L",)}, "either --face NAME or --points"),
        ({"face": "none"}, "no point is named 'none'"),
        ({"points": ("a-L", "a-L")}, "names a point twice"),
        ({"face": "a-L", "sizes": {"a-L": "M11"}}, "give a bolt"),
        ({"face": "a-L", "sizes": {"x": "M10"}}, "not on this template"),
        ({"face": "a-L", "part": "../a"}, "can't be part of a file name"),
        ({"face": "a-L", "part": "a\nb"}, "can't be part of a file name"),
    ],
)
def test_wrong_use_is_refused(asked, words):
    with pytest.raises(UsageError, match=re.escape(words)):
        made(**asked)


def test_a_guessed_datum_and_unmeasured_points_are_refused():
    with pytest.raises(UsageError, match="no template from a guessed datum"):
        made(car=datum(assumed=("front",)), face="a-L")
    a, b, c = flat_case.holes().points
    copied = MountPoints((a, replace(b, state="mirrored", feature=-1), c), ())
    with pytest.raises(UsageError, match="b-L is mirrored, not measured"):
        made(copied, points=("a-L", "b-L"))
    forced = made(copied, points=("a-L", "b-L"), force=True)
    assert any("b-L is mirrored, not measured" in n.text for n in forced.notes)
    assert len(circles(drawing(made(copied, face="a-L"), "a-L"), "REFERENCE")) == 2


def test_what_is_no_flat_face_is_refused():
    a, b, c = flat_case.holes().points
    with pytest.raises(DataError, match=r"b-L lies 12\.0 mm off the plane"):
        made(MountPoints((a, replace(b, position=b.position + np.array([12.0, 0, 0])), c), ()), points=("a-L", "b-L"))
    with pytest.raises(DataError, match="b-L leans 30 degrees"):
        turned = replace(b, axis=np.array([np.cos(np.pi / 6), 0.5, 0]))
        made(MountPoints((a, turned, c), ()), points=("a-L", "b-L"))
    with pytest.raises(DataError, match="sits in no flat face"):
        made(MountPoints((replace(a, feature=1),), ()), face="a-L")
    with pytest.raises(UsageError, match="is a tube"):
        made(MountPoints((replace(a, kind="tube"),), ()), face="a-L")
    clean, features, holes = plate()
    bent = np.array(clean.scan.points) + 0.0
    bent += np.outer(8 * np.abs(np.linspace(-1, 1, len(bent))), features.planes[0].normal)
    with pytest.raises(DataError, match="isn't flat"):
        template(replace(clean, scan=replace(clean.scan, points=bent)), features, datum(), holes,
                 TemplateSettings(face="a-L"))  # fmt: skip
