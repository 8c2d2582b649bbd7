"""What lies between points, as CSV, JSON and a sheet of words."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from barerail.asked import BetweenSettings
from barerail.outputs.cells import PLAIN, TEXT, csv_table, json_text
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.naming import file_stem
from barerail.outputs.part_sheet import FOLDER, PARTS, sheet_text
from barerail.outputs.words import fixed, one_line, rounded_up, text_table, wrapped
from barerail.records import Between, Datum, Measure, Relation, Written

KEYS = (
    *("distance_mm", "dx_mm", "dy_mm", "dz_mm", "line_plan_deg", "line_side_deg", "line_front_deg", "angle_deg"),
    *("apart_mm", "meet_x_mm", "meet_y_mm", "meet_z_mm"),
)
COLUMNS = {
    **dict.fromkeys(("a", "b"), TEXT),
    **{name: 3 for key in KEYS for name in (key, f"U_{key}")},
}
MEANING = (
    "dx, dy, dz: b less a; line: the line from a to b against the car axis it runs along most, seen from above (plan), "
    "from the side, from ahead (front); angle: between both axes; apart: the distance of both axes as lines; meet: the "
    "middle of where they come closest; U is joint: what the datum and the drift do to both alike cancels"
)
NAMES = {"distance": "distance", "apart": "axes apart", "angle": "angle of the axes"}


def between_files(found: Between, datum: Datum, settings: BetweenSettings) -> Written:
    """between-NAME.csv, .json and .txt."""
    stem = file_stem(settings.title or f"{settings.points[0]}-{settings.points[-1]}", "give a --title")
    lines = header_lines("between points", datum, columns=MEANING, parts=PARTS)
    rows = [_row(r) for r in found.relations]
    document = {**header_fields("between points", datum), "parts": PARTS, "columns": MEANING, "k": 2}
    body = {"between": [_json_row(row) for row in rows], "notes": [n.text for n in found.notes]}
    files = {
        "csv": csv_table(lines, COLUMNS, rows, PLAIN),
        "json": json_text(document | body),
        "txt": sheet_text(between_words(found), datum, found.notes),
    }
    return Written({f"{FOLDER}/between-{stem}.{form}": data for form, data in files.items()}, found.notes)


def between_words(found: Between) -> str:
    """Two points: a line a measure; more: a table of lengths."""
    if len(found.relations) == 1:
        r = found.relations[0]
        rows = [_measure(name, m) for name, m in r.measures.items()]
        table = text_table(("", "value", "U", "unit"), rows, (False, True, True, False))
        told = "\n".join(line for text in MEANING.split("; ") for line in wrapped(text))
        return f"From {one_line(r.a)} to {one_line(r.b)}; U: k = 2\n{table}\n{told}"
    head = ("a", "b", "distance mm", "U", "dx mm", "U", "dy mm", "U", "dz mm", "U", "axes deg", "U")
    table = text_table(head, [_cells(r) for r in found.relations], (False, False) + (True,) * 10)
    return f"Lengths between points; U: k = 2, what moves both alike cancels\n{table}"


def _measure(name: str, m: Measure) -> tuple[str, ...]:
    stem, _, unit = name.rpartition("_")
    return NAMES.get(stem, stem.replace("_", " ")), *_pair(m), unit


def _cells(r: Relation) -> tuple[str, ...]:
    values = (_pair(r.measures.get(k)) for k in ("distance_mm", "dx_mm", "dy_mm", "dz_mm", "angle_deg"))
    return (one_line(r.a), one_line(r.b), *(cell for pair in values for cell in pair))


def _pair(m: Measure | None) -> tuple[str, str]:
    if m is None or m.value is None or m.U is None:
        return "", ""
    decimals = 3 if m.unit == "deg" else 2
    return fixed(m.value, decimals), fixed(rounded_up(m.U, decimals), decimals)


def _row(r: Relation) -> dict[str, Any]:
    row: dict[str, Any] = {"a": r.a, "b": r.b} | dict.fromkeys(list(COLUMNS)[2:], np.nan)
    for name, m in r.measures.items():
        row |= {name: m.value, f"U_{name}": m.U}
    return row


def _json_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row without what the pair doesn't have."""
    return {
        k: v if isinstance(v, str) else round(v, 6) for k, v in row.items() if isinstance(v, str) or math.isfinite(v)
    }
