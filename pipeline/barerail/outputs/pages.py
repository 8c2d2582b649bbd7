"""A drawing on A4 pages at true scale: a page to check the printer with, what is to be known, and tiles to join."""

import io
from typing import Any

import numpy as np

from barerail.outputs.flat import CUT, HAIR_MM, INKS, REFERENCE, TEXT, Arc, Circle, Path, Shape, Sheet, Words
from barerail.outputs.words import one_line, wrapped
from barerail.records import Array

PAGE_MM = np.array([210.0, 297.0])
MARGIN_MM = 15.0
TILE_MM = np.array([180.0, 255.0])
FOOT_MM = 27.0
"""From the bottom of a page to its tile: room for the page's words below the marks."""
OVERLAP_MM = 4.0
SQUARE_MM = 100.0
PRINT = (
    "Print at 100 % (actual size), never fit to page. Measure both squares, across and up: 100 mm each. If either is "
    "off by more than 0.3 mm, don't use the print. Join the tiles at the crosses: 180 mm across, 255 mm up."
)


def sheet_pdf(sheet: Sheet) -> bytes:
    """The drawing as PDF 1:1 on A4: check page with two 100 mm squares, notes, tiles with marks; no dates in it.

    Viewers are told not to scale. The built-in fonts hold Latin-1: other letters come as their codes.
    """
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    out = io.BytesIO()
    pdf = Canvas(out, pagesize=tuple(PAGE_MM * mm), invariant=1)
    pdf.setTitle(_latin(sheet.title))
    pdf.setViewerPreference("PrintScaling", "None")
    for draw in (_check_page, _note_pages, _tiles):
        draw(pdf, sheet)
    pdf.save()
    return out.getvalue()


def _begin(pdf: Any) -> None:
    """From here lengths are mm."""
    from reportlab.lib.units import mm

    pdf.scale(mm, mm)
    pdf.setLineWidth(HAIR_MM)
    pdf.setLineCap(1)


def _check_page(pdf: Any, sheet: Sheet) -> None:
    _begin(pdf)
    corner = np.array([MARGIN_MM, MARGIN_MM])
    for at in (np.array([corner[0], PAGE_MM[1] - corner[1] - SQUARE_MM]), np.array([PAGE_MM[0] - 115.0, corner[1]])):
        pdf.rect(*at, SQUARE_MM, SQUARE_MM)
        _write(pdf, at + np.array([20.0, 48.0]), "100 mm x 100 mm: measure me", 4)
    for i, line in enumerate([f"template {sheet.title}", *wrapped(PRINT), *wrapped(sheet.notes[0])]):
        _write(pdf, np.array([MARGIN_MM, 172.0 - 6 * i]), line, 5 if i == 0 else 3)
    pdf.showPage()


def _note_pages(pdf: Any, sheet: Sheet, rows: int = 60) -> None:
    lines = [line for note in sheet.notes for line in wrapped(note)]
    for first in range(0, len(lines), rows):
        _begin(pdf)
        for i, line in enumerate(lines[first : first + rows]):
            _write(pdf, np.array([MARGIN_MM, PAGE_MM[1] - 20.0 - 4.3 * i]), line, 3)
        pdf.showPage()


def _tiles(pdf: Any, sheet: Sheet) -> None:
    low, high = sheet.bounds()
    across, up = np.maximum(np.ceil((high - low + 10.0) / TILE_MM), 1).astype(int)
    start = (low + high) / 2 - TILE_MM * (across, up) / 2
    for j in range(up):
        for i in range(across):
            _tile(pdf, sheet, start + TILE_MM * (i, j), f"column {i + 1} of {across}, row {j + 1} of {up} from below")


def _tile(pdf: Any, sheet: Sheet, corner: Array, place: str) -> None:
    _begin(pdf)
    at = np.array([MARGIN_MM, FOOT_MM])
    for cross in at + TILE_MM * [(0, 0), (1, 0), (0, 1), (1, 1)]:
        for arm in ((4.0, 0.0), (0.0, 4.0)):
            pdf.line(*(cross - arm), *(cross + arm))
    _write(pdf, np.array([MARGIN_MM, 12.0]), f"{sheet.title}, {place}; crosses 180 mm across, 255 mm up", 3)
    pdf.saveState()
    frame = pdf.beginPath()
    frame.rect(*(at - OVERLAP_MM), *(TILE_MM + 2 * OVERLAP_MM))
    pdf.clipPath(frame, stroke=0, fill=0)
    pdf.translate(*(at - corner))
    for layer in (REFERENCE, CUT, TEXT):
        pdf.setStrokeColor(INKS[layer][1])
        pdf.setFillColor(INKS[layer][1])
        for shape in sheet.shapes:
            if (TEXT if isinstance(shape, Words) else shape.layer) == layer:
                _draw(pdf, shape)
    pdf.restoreState()
    pdf.showPage()


def _draw(pdf: Any, s: Shape) -> None:
    match s:
        case Circle():
            pdf.circle(*s.centre, s.radius)
            _centre_mark(pdf, s.centre)
        case Arc():
            pdf.arc(*(s.centre - s.radius), *(s.centre + s.radius), s.start, s.end - s.start)
        case Path():
            line = pdf.beginPath()
            line.moveTo(*s.points[0])
            for q in s.points[1:]:
                line.lineTo(*q)
            pdf.drawPath(line)
        case Words():
            _write(pdf, s.at, s.text, s.height)


def _centre_mark(pdf: Any, centre: Array, arm: float = 2.0) -> None:
    for step in ((arm, 0.0), (0.0, arm)):
        pdf.line(*(centre - step), *(centre + step))


def _write(pdf: Any, at: Array, text: str, height: float) -> None:
    pdf.setFont("Helvetica", height)
    pdf.drawString(*at, _latin(text))


def _latin(text: str) -> str:
    return one_line(text).encode("latin-1", "backslashreplace").decode("latin-1")
