"""Printable sheets: true scale, every point named once, names apart, and residuals that mean what they say."""

from dataclasses import replace

import numpy as np
import outputs_case as case
import pypdfium2
import pytest

from barerail.outputs.sheets import sheets
from barerail.outputs.sheets.closeups import residuals
from barerail.outputs.sheets.paper import Label, Paper, Stroke, pdf_of, png_of
from barerail.outputs.sheets.tables import table_papers
from barerail.outputs.sheets.views import LOOKS, PITCH, shown_in, spread
from barerail.records import CHASSIS, CleanScan
from barerail.settings import SheetsSettings


def clean() -> CleanScan:
    scan = case.mesh_scan()
    rng = np.random.default_rng(2)
    points = np.asarray(scan.points)[rng.integers(0, len(scan.points), 400)] + rng.normal(size=(400, 3))
    big = replace(scan, points=points, normals=None, triangles=None)
    n = len(points)
    return CleanScan(big, points, np.tile([0.0, 0, 1], (n, 1)), False, np.zeros(n), np.full(n, CHASSIS, np.uint8),
                     np.arange(n), np.arange(n + 1), 3.0, 2.0, 0.1, None)  # fmt: skip


def made(paper: str = "A3"):
    settings = SheetsSettings(paper=paper)
    return sheets(clean(), case.datum(), case.mount_points(), case.straightness(), settings, "a 日本 scan")


@pytest.mark.parametrize(("paper", "size"), [("A3", (420, 297)), ("A4", (297, 210))])
def test_sheets_have_the_size_asked_for_and_every_view_a_picture(paper: str, size: tuple[float, float]) -> None:
    written = made(paper)
    pdf = pypdfium2.PdfDocument(written.files["sheets/sheets.pdf"])
    for page in pdf:
        assert np.array(page.get_size()) / 72 * 25.4 == pytest.approx(size, abs=0.01)
    for look in LOOKS:
        assert written.files[f"sheets/{look.name}.png"].startswith(b"\x89PNG")
    text = "".join(page.get_textpage().get_text_range() for page in pdf)
    assert "Measurement aid only" in text and "SCALE NOT CHECKED" in text and "U (k = 2)" in text


def test_same_records_make_the_same_bytes() -> None:
    assert made().files == made().files


def test_a_printed_line_is_as_long_as_it_says() -> None:
    """100 mm drawn, rendered at 300 dpi and measured, within 0.2 mm; the picture at its own 150 dpi too."""
    paper = Paper("bar", (297.0, 210.0), [Stroke([(50.0, 100.0), (150.0, 100.0)], "#000000", 0.5)])
    (page,) = pypdfium2.PdfDocument(pdf_of([paper], "bar"))
    shot = np.asarray(page.render(scale=300 / 72).to_pil().convert("L"))
    dark = np.flatnonzero((shot < 128).any(axis=0))
    assert (np.ptp(dark) + 1) / 300 * 25.4 == pytest.approx(100.0 + 0.5, abs=0.2)
    from io import BytesIO

    from PIL import Image

    picture = np.asarray(Image.open(BytesIO(png_of(paper))).convert("L"))
    dark = np.flatnonzero((picture < 128).any(axis=0))
    assert (np.ptp(dark) + 1) / 150 * 25.4 == pytest.approx(100.0, abs=0.4)


def test_every_point_with_a_place_is_named_in_one_view() -> None:
    for p in case.mount_points().points:
        assert sum(shown_in(look, p) for look in LOOKS) == int(np.isfinite(p.position).all())
    up = next(look for look in LOOKS if look.name == "top")
    assert shown_in(up, case.mount_points().points[2])


def test_views_show_left_on_the_side_they_say() -> None:
    left, front = np.array([0.0, 1, 0]), np.array([1.0, 0, 0])
    by = {look.name: look.axes for look in LOOKS}
    assert by["top"] @ left == pytest.approx([0, 1, 0]) and by["top"] @ front == pytest.approx([1, 0, 0])
    assert (by["left"] @ front)[0] == -1 and (by["right"] @ front)[0] == 1
    assert (by["front"] @ left)[0] == 1 and (by["rear"] @ left)[0] == -1
    for axes in by.values():
        assert np.linalg.det(axes) == pytest.approx(1)


def test_names_keep_their_order_and_distance() -> None:
    rng = np.random.default_rng(3)
    wanted = np.sort(rng.uniform(20, 60, 30)).tolist()
    slots = spread(wanted, PITCH, 10, 200)
    assert np.diff(slots).min() >= PITCH - 1e-9 and min(slots) >= 10 and max(slots) <= 200
    assert spread([50.0, 100.0], PITCH, 10, 200) == [50.0, 100.0]
    assert spread([50.0, 50.0], 4.0, 10, 200) == pytest.approx([48.0, 52.0])
    assert np.ptp(spread([5.0] * 80, PITCH, 10, 200)) == pytest.approx(190)
    assert spread([], PITCH, 0, 1) == []


def test_residuals_are_heights_over_a_face_and_distances_from_a_cylinder() -> None:
    hole = case.point("h", "hole", (0.0, 0, 0), (0.0, 0, 1), diameter=10.0)
    at, off = residuals(hole, np.array([[7.0, 0, 0.3], [0, 8.0, -0.2], [0, 9.0, 9.0]]))
    assert off == pytest.approx([0.3, -0.2]) and np.linalg.norm(at, axis=1) == pytest.approx([7, 8])
    tube = case.point("t", "tube", (0.0, 0, 0), (1.0, 0, 0), diameter=40.0, length=100.0)
    _, off = residuals(tube, np.array([[10.0, 20.4, 0], [30.0, 0, 19.7], [400.0, 20.0, 0]]))
    assert off == pytest.approx([0.4, -0.3])


def test_tables_go_on_to_more_sheets_with_their_head() -> None:
    papers = table_papers("t", "title", ("name", "x"), [(f"row {i}", str(i)) for i in range(150)], (297.0, 210.0))
    texts = [[m.text for m in p.marks if isinstance(m, Label)] for p in papers]
    assert len(papers) > 2 and all(t[0] == "title" and "name" in t for t in texts)
    assert sum(text.startswith("row ") for t in texts for text in t) == 150
    assert table_papers("t", "title", ("a",), [], (297.0, 210.0)) == []


def test_a_bolt_axis_is_judged_by_its_tabs_inner_faces() -> None:
    """Points 0.2 mm over both inner faces, of the outer faces 4 mm further out, and none else."""
    axis = next(p for p in case.mount_points().points if p.kind == "bolt-axis")
    ring = np.array([[20.0, 0, 0], [-20, 0, 0], [0, 0, 20]])
    inner = [axis.position + ring + sign * np.array([0, axis.length / 2 + 0.2, 0]) for sign in (1, -1)]
    outer = [axis.position + ring + sign * np.array([0, axis.length / 2 + 4.0, 0]) for sign in (1, -1)]
    at, off = residuals(axis, np.vstack([*inner, *outer]))
    assert len(at) == 6 and off == pytest.approx(np.full(6, 0.2))
