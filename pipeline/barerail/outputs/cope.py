"""The wrap template of a tube end: DXF, SVG and PDF at true scale, the line as CSV, JSON, and a sheet of words."""

from typing import Any

import numpy as np

from barerail.asked import CopeSettings
from barerail.geometry.contour import simplified
from barerail.outputs.cells import PLAIN, csv_table, json_text
from barerail.outputs.flat import CUT, REFERENCE, Path, Shape, Sheet, Words, sheet_dxf, sheet_svg
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.pages import sheet_pdf
from barerail.outputs.part_sheet import FOLDER, PARTS, sheet_text
from barerail.outputs.words import AXES, fixed, rounded_up, wrapped
from barerail.records import Array, Cope, Datum, Written

COLUMNS = {"turn_deg": 1, "round_mm": 3, "cut_mm": 3, "inside_mm": 3}
MEANING = (
    "turn: round the branch from the side of the narrow angle, as numbered on the template; round: the same along the "
    "outside; cut, inside: where the outer and the inner surface of the branch meet the other tube, mm up the branch "
    "from the node, the place on its axis nearest to the other axis"
)
TOLERANCE_MM = 0.02
OPPOSITE = {"forward": "rearward", "rearward": "forward", "left": "right", "right": "left", "up": "down"}


def cope_files(found: Cope, stem: str, datum: Datum, settings: CopeSettings) -> Written:
    """cope-NAME.dxf, .svg, .pdf, .csv, .json and .txt."""
    sheet = _sheet(found, stem, datum, settings)
    round_mm = found.turn * found.od_mm / 2
    columns = (np.degrees(found.turn), round_mm, found.outside, found.inside)
    rows = [dict(zip(COLUMNS, map(float, row))) for row in zip(*columns)]
    document = {**header_fields("tube end", datum), "parts": PARTS, "columns": MEANING, "k": 2}
    body: dict[str, Any] = {
        "tube": settings.tube,
        "to": settings.to,
        "od_mm": round(found.od_mm, 3),
        "od_from": found.od_from,
        "to_od_mm": round(found.to_od_mm, 3),
        "to_od_from": found.to_od_from,
        "wall_mm": found.wall_mm,
        **{
            k: round(float(m.value or 0.0), 4)
            for k, m in (("angle_deg", found.angle_deg), ("offset_mm", found.offset_mm))
        },
        **{
            k: round(float(m.U or 0.0), 4)
            for k, m in (("U_angle_deg", found.angle_deg), ("U_offset_mm", found.offset_mm))
        },
        "U_cut_mm": round(found.U_mm, 3),
        "node_mm": np.round(found.node, 4),
        **{k: np.round(getattr(found, k), 8) for k in ("out", "lean", "side")},
        "straight_edge_mm": round(_top(found, settings), 3),
        "notes": [n.text for n in found.notes],
    }
    files = {
        "dxf": sheet_dxf(sheet),
        "svg": sheet_svg(sheet),
        "pdf": sheet_pdf(sheet),
        "csv": csv_table(header_lines("tube end", datum, columns=MEANING, parts=PARTS), COLUMNS, rows, PLAIN),
        "json": json_text(document | body),
        "txt": sheet_text(
            "\n".join(line for w in _words(found, datum, settings) for line in wrapped(w)), datum, found.notes
        ),
    }
    return Written({f"{FOLDER}/cope-{stem}.{form}": data for form, data in files.items()}, found.notes)


def _top(found: Cope, settings: CopeSettings) -> float:
    """How far up the branch from the node the straight edge of the template lies, whole mm."""
    return float(np.ceil(max(found.outside.max(), found.inside.max()) + settings.straight_mm))


def _sheet(found: Cope, stem: str, datum: Datum, settings: CopeSettings) -> Sheet:
    top, r = _top(found, settings), found.od_mm / 2
    x = found.turn * r
    cut = simplified(np.column_stack([x, found.outside - top]), TOLERANCE_MM)
    edge = np.vstack([cut, [x[-1], 0.0], [0.0, 0.0], cut[0]])
    shapes: list[Shape] = [
        Path(CUT, edge),
        Path(REFERENCE, simplified(np.column_stack([x, found.inside - top]), TOLERANCE_MM)),
    ]
    for turn in (0, 90, 180, 270):
        at = np.radians(turn) * r
        low = float(np.interp(np.radians(turn), found.turn, found.outside)) - top
        shapes.append(Path(REFERENCE, np.array([(at, low), (at, 0.0)])))
        shapes.append(Words(np.array([at + 1.5, -5.0]), f"{turn}: {_faces(found, turn, datum)}", 3.0))
    return Sheet(stem, tuple(shapes), (*_words(found, datum, settings), *header_lines("tube end", datum, parts=PARTS)))


def _faces(found: Cope, turn: int, datum: Datum) -> str:
    """The way a line of the branch faces, by the car's nearest axis."""
    return _way(np.cos(np.radians(turn)) * found.lean + np.sin(np.radians(turn)) * found.side, datum)


def _way(v: Array, datum: Datum) -> str:
    k = int(np.argmax(np.abs(v)))
    word = AXES[datum.axes][k]
    return word if v[k] > 0 else OPPOSITE[word]


def _words(found: Cope, datum: Datum, settings: CopeSettings) -> list[str]:
    angle, offset = found.angle_deg, found.offset_mm
    node = ", ".join(f"{k} {fixed(v, 1)}" for k, v in zip("xyz", found.node))
    return [
        f"{settings.tube}, outside {found.od_mm:.2f} mm ({found.od_from}), wall {found.wall_mm:g} mm, coped to "
        f"{settings.to}, outside {found.to_od_mm:.2f} mm ({found.to_od_from})",
        f"angle {fixed(angle.value or 0.0, 2)} deg (U {_u(angle.U)}), axes {fixed(abs(offset.value or 0.0), 2)} mm "
        f"apart (U {_u(offset.U)}); U of the cut line {_u(found.U_mm)} mm; U: k = 2",
        f"wrap round the outside with the print outward, ends meeting: {np.pi * found.od_mm:.2f} mm round, paper as "
        f"thin as can be; line 0 is on the side of the narrow angle and faces {_faces(found, 0, datum)}, 90 "
        f"faces {_faces(found, 90, datum)}; up on the sheet is up the branch, which goes {_way(found.out, datum)}",
        f"the straight edge is {_top(found, settings):.0f} mm up the branch from the node at {node} mm",
        "CUT is where the outside of the branch meets the other tube: cut there and bevel the inside back to the line "
        "on REFERENCE; a cut square to the wall must follow whichever line is higher up the tube, and leaves a gap",
        f"root gap for the weld is not allowed for; distortion neither; lines good to {TOLERANCE_MM:g} mm beside U",
    ]


def _u(value: float | None) -> str:
    return fixed(rounded_up(value or 0.0, 2), 2)
