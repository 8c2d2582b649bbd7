"""A sheet of paper in mm from its lower left corner, drawn alike as PDF and as PNG."""

import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barerail.outputs.words import one_line

SIZES = {"A4": (297.0, 210.0), "A3": (420.0, 297.0)}
"""Landscape, ISO 216."""
FONT_WIDTH = 0.5
"""Mean width of a Helvetica letter over its height, generously."""


@dataclass(frozen=True)
class Stroke:
    """A line through places (mm)."""

    path: Sequence[tuple[float, float]]
    colour: str = "#202428"
    width: float = 0.18


@dataclass(frozen=True)
class Disc:
    """A filled or open circle."""

    at: tuple[float, float]
    radius: float
    colour: str
    filled: bool = True


@dataclass(frozen=True)
class Label:
    """Text at its lower left corner, `height` mm; upright: reads from below."""

    at: tuple[float, float]
    text: str
    height: float = 2.4
    colour: str = "#202428"
    upright: bool = False


@dataclass(frozen=True)
class Raster:
    """A picture with its lower left corner, width and height in mm; pixels (h, w, 3), first row on top."""

    at: tuple[float, float]
    size: tuple[float, float]
    pixels: NDArray[np.uint8]


Mark = Stroke | Disc | Label | Raster


@dataclass(frozen=True)
class Paper:
    """One sheet; marks are drawn in their order."""

    name: str
    size: tuple[float, float]
    marks: list[Mark] = field(default_factory=list)


def latin(text: str) -> str:
    """What the PDF's built-in fonts hold: Latin-1, other letters as their codes."""
    return one_line(text).encode("latin-1", "backslashreplace").decode("latin-1")


def pdf_of(papers: Sequence[Paper], title: str) -> bytes:
    """All sheets as one PDF at true scale, no dates in it; viewers are told not to scale."""
    from reportlab import rl_config

    letters = rl_config.useA85
    rl_config.useA85 = 0  # pictures as bytes: a quarter smaller, and quicker
    try:
        return _drawn(papers, title)
    finally:
        rl_config.useA85 = letters


def _drawn(papers: Sequence[Paper], title: str) -> bytes:
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    out = io.BytesIO()
    pdf = Canvas(out, invariant=1)
    pdf.setTitle(latin(title))
    pdf.setViewerPreference("PrintScaling", "None")
    for paper in papers:
        pdf.setPageSize((paper.size[0] * mm, paper.size[1] * mm))
        pdf.scale(mm, mm)
        pdf.setLineCap(1)
        for mark in paper.marks:
            _on_pdf(pdf, mark)
        pdf.showPage()
    pdf.save()
    return out.getvalue()


def _on_pdf(pdf: Any, mark: Mark) -> None:
    from PIL import Image
    from reportlab.lib.utils import ImageReader

    match mark:
        case Stroke():
            pdf.setStrokeColor(mark.colour)
            pdf.setLineWidth(mark.width)
            line = pdf.beginPath()
            line.moveTo(*mark.path[0])
            for place in mark.path[1:]:
                line.lineTo(*place)
            pdf.drawPath(line)
        case Disc():
            pdf.setStrokeColor(mark.colour)
            pdf.setFillColor(mark.colour)
            pdf.setLineWidth(0.25)
            pdf.circle(*mark.at, mark.radius, stroke=1, fill=int(mark.filled))
        case Label():
            pdf.saveState()
            pdf.translate(*mark.at)
            pdf.rotate(90 if mark.upright else 0)
            pdf.setFillColor(mark.colour)
            pdf.setFont("Helvetica", mark.height)
            pdf.drawString(0, 0, latin(mark.text))
            pdf.restoreState()
        case Raster():
            pdf.drawImage(ImageReader(Image.fromarray(mark.pixels)), *mark.at, *mark.size)


def png_of(paper: Paper, dpi: float = 150.0) -> bytes:
    """One sheet as PNG."""
    from PIL import Image, ImageDraw

    k = dpi / 25.4
    size = (round(paper.size[0] * k), round(paper.size[1] * k))
    image = Image.new("RGB", size, "#ffffff")
    pen = ImageDraw.Draw(image)
    for mark in paper.marks:
        _on_png(image, pen, mark, k)
    out = io.BytesIO()
    image.quantize(256, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


def _on_png(image: Any, pen: Any, mark: Mark, k: float) -> None:
    from PIL import Image, ImageDraw, ImageFont

    def place(at: tuple[float, float]) -> tuple[float, float]:
        return at[0] * k, image.height - at[1] * k

    match mark:
        case Stroke():
            pen.line([place(at) for at in mark.path], fill=mark.colour, width=max(1, round(mark.width * k)))
        case Disc():
            (x, y), r = place(mark.at), mark.radius * k
            fill = mark.colour if mark.filled else None
            pen.ellipse([x - r, y - r, x + r, y + r], fill=fill, outline=mark.colour)
        case Label():
            font = ImageFont.load_default(mark.height * k)
            text = one_line(mark.text)
            wide, high = round(pen.textlength(text, font)) + 2, round(1.4 * mark.height * k)
            stamp = Image.new("L", (max(wide, 1), high), 0)
            ImageDraw.Draw(stamp).text((0, 0.75 * high), text, fill=255, font=font, anchor="ls")
            x, y = place(mark.at)
            low = round(0.25 * high)
            if mark.upright:
                stamp = stamp.rotate(90, expand=True)
                image.paste(mark.colour, (round(x) - stamp.width + low, round(y) - stamp.height), stamp)
            else:
                image.paste(mark.colour, (round(x), round(y) - stamp.height + low), stamp)
        case Raster():
            (x, y), (w, h) = place(mark.at), (round(mark.size[0] * k), round(mark.size[1] * k))
            part = Image.fromarray(mark.pixels).resize((max(w, 1), max(h, 1)), Image.Resampling.LANCZOS)
            image.paste(part, (round(x), round(y) - h))
