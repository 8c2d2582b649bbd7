"""A flat drawing at true scale, mm: shapes on layers, and the drawing as DXF and SVG."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from barerail.outputs.repeat import dxf_text
from barerail.outputs.words import one_line
from barerail.records import Array

if TYPE_CHECKING:
    from ezdxf.layouts import Modelspace

CUT, REFERENCE, TEXT = "CUT", "REFERENCE", "TEXT"
INKS = {CUT: (1, "#d01818"), REFERENCE: (5, "#2040c0"), TEXT: (7, "#202020")}
"""Colour index (DXF) and colour (SVG, PDF) of each layer."""
HAIR_MM = 0.2


@dataclass(frozen=True, eq=False)
class Circle:
    layer: str
    centre: Array
    radius: float


@dataclass(frozen=True, eq=False)
class Arc:
    """Counter-clockwise from `start` to `end`, degrees from x."""

    layer: str
    centre: Array
    radius: float
    start: float
    end: float


@dataclass(frozen=True, eq=False)
class Path:
    """Straight lines through points (k, 2); closed where the last point is the first."""

    layer: str
    points: Array


@dataclass(frozen=True, eq=False)
class Words:
    """One line of text that begins at `at`, on the layer TEXT."""

    at: Array
    text: str
    height: float = 4.0


Shape = Circle | Arc | Path | Words


@dataclass(frozen=True)
class Sheet:
    """Shapes of a drawing, and what is written below it."""

    title: str
    shapes: tuple[Shape, ...]
    notes: tuple[str, ...]

    def bounds(self) -> Array:
        """Low and high corner (2, 2) of all that is drawn but words."""
        boxes = [_box(s) for s in self.shapes if not isinstance(s, Words)]
        return np.array([np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)])

    def mirrored(self) -> "Sheet":
        """The drawing with x turned about, words readable."""
        return replace(self, shapes=tuple(_mirrored(s) for s in self.shapes))


def _box(s: Circle | Arc | Path) -> Array:
    if isinstance(s, Path):
        return np.array([s.points.min(axis=0), s.points.max(axis=0)])
    return np.array([s.centre - s.radius, s.centre + s.radius])


def _mirrored(s: Shape) -> Shape:
    flip = np.array([-1.0, 1.0])
    match s:
        case Circle():
            return replace(s, centre=s.centre * flip)
        case Arc():
            return replace(s, centre=s.centre * flip, start=180.0 - s.end, end=180.0 - s.start)
        case Path():
            return replace(s, points=(s.points * flip)[::-1])
        case Words():
            return replace(s, at=s.at * flip)


def slot(layer: str, centre: Array, along: Array, length: float, width: float) -> list[Shape]:
    """A slot's outline, two lines and two arcs, counter-clockwise; along (2,): unit vector of its long direction."""
    across = np.array([-along[1], along[0]])
    half, r = (length - width) / 2, width / 2
    ends = [centre + half * along, centre - half * along]
    turn = float(np.degrees(np.arctan2(along[1], along[0])))
    return [
        Path(layer, np.array([ends[1] - r * across, ends[0] - r * across])),
        Arc(layer, ends[0], r, turn - 90, turn + 90),
        Path(layer, np.array([ends[0] + r * across, ends[1] + r * across])),
        Arc(layer, ends[1], r, turn + 90, turn + 270),
    ]


def sheet_dxf(sheet: Sheet, whole_paths: bool = False) -> bytes:
    """The drawing as DXF R2000 (AC1015), mm ($INSUNITS 4), layers by name: CIRCLE, ARC and LINE only, and TEXT.

    whole_paths: a path is one LWPOLYLINE in place of its lines.
    """
    import ezdxf
    from ezdxf import units

    fixed = ezdxf.options.write_fixed_meta_data_for_testing  # its only way to leave dates and GUIDs out
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        document = ezdxf.new("R2000", units=units.MM)
        for name in dict.fromkeys((*INKS, *(s.layer for s in sheet.shapes if not isinstance(s, Words)))):
            document.layers.add(name, color=INKS.get(name, (7, ""))[0])
        for shape in (*sheet.shapes, *_below(sheet)):
            _add(document.modelspace(), shape, whole_paths)
        return dxf_text(document).encode(document.output_encoding, "dxfreplace")
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed


def _add(space: "Modelspace", s: Shape, whole_paths: bool) -> None:
    match s:
        case Circle():
            space.add_circle(s.centre, s.radius, dxfattribs={"layer": s.layer})
        case Arc():
            space.add_arc(s.centre, s.radius, s.start, s.end, dxfattribs={"layer": s.layer})
        case Path() if whole_paths:
            closed = _closed(s)
            points = s.points[:-1] if closed else s.points
            space.add_lwpolyline(points.tolist(), close=closed, dxfattribs={"layer": s.layer})
        case Path():
            for a, b in zip(s.points[:-1], s.points[1:]):
                space.add_line(a, b, dxfattribs={"layer": s.layer})
        case Words():
            safe = one_line(s.text).replace("^", "^ ").replace("%%", "%%%%%%")
            space.add_text(safe, height=s.height, dxfattribs={"layer": TEXT, "insert": s.at})


def _closed(s: Path) -> bool:
    return len(s.points) > 3 and bool(np.array_equal(s.points[0], s.points[-1]))


def _below(sheet: Sheet, height: float = 3.0) -> list[Words]:
    """The notes as lines below the drawing."""
    low = sheet.bounds()[0]
    lines = (sheet.title, *sheet.notes)
    return [Words(low - (0.0, 10 + 2 * height * i), line, height) for i, line in enumerate(lines)]


def sheet_svg(sheet: Sheet) -> bytes:
    """The drawing as SVG 1.1 at true scale: width and height in mm, a group a layer."""
    words = _below(sheet)
    shapes = (*sheet.shapes, *words)
    low, high = sheet.bounds()
    low, high = low - 5.0, high + 5.0
    low[1] = min(low[1], *(w.at[1] - 5 for w in words))
    high[0] = max(high[0], *(w.at[0] + 0.7 * w.height * len(w.text) for w in shapes if isinstance(w, Words)))
    wide, tall = high - low
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:.3f}mm" height="{tall:.3f}mm" '
        f'viewBox="{low[0]:z.3f} {-high[1]:z.3f} {wide:.3f} {tall:.3f}">',
        f"<title>{escape(one_line(sheet.title))}</title>",
    ]
    for layer in dict.fromkeys(map(_layer, shapes)):
        ink = INKS.get(layer, INKS[TEXT])[1]
        look = f'fill="{ink}" font-family="sans-serif"' if layer == TEXT else f'fill="none" stroke="{ink}"'
        parts.append(f'<g id="{layer}" {look} stroke-width="{0 if layer == TEXT else HAIR_MM}">')
        parts += _svg_parts(s for s in shapes if _layer(s) == layer)
        parts.append("</g>")
    return "\n".join([*parts, "</svg>", ""]).encode()


def _layer(s: Shape) -> str:
    return TEXT if isinstance(s, Words) else s.layer


def _svg_parts(shapes: Iterable[Shape]) -> list[str]:
    return [_svg(s) for s in shapes]


def _svg(s: Shape) -> str:
    match s:
        case Circle():
            return f'<circle cx="{_n(s.centre[0])}" cy="{_n(-s.centre[1])}" r="{_n(s.radius)}"/>'
        case Arc():
            a, b = (s.centre + s.radius * _ray(t) for t in (s.start, s.end))
            large = int(s.end - s.start > 180)
            r = _n(s.radius)
            return f'<path d="M {_xy(a)} A {r} {r} 0 {large} 0 {_xy(b)}"/>'
        case Path():
            points = s.points[:-1] if _closed(s) else s.points
            return f'<path d="M {" L ".join(map(_xy, points))}{" Z" if _closed(s) else ""}"/>'
        case Words():
            text = escape(one_line(s.text))
            return f'<text x="{_n(s.at[0])}" y="{_n(-s.at[1])}" font-size="{_n(s.height)}">{text}</text>'


def _ray(degrees: float) -> Array:
    return np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])


def _xy(at: Array) -> str:
    return f"{_n(at[0])} {_n(-at[1])}"


def _n(value: Any) -> str:
    return f"{float(value):z.4f}"
