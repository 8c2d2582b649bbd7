"""Flat places as CSV, JSON and a sheet of words."""

from typing import Any

import numpy as np

from barerail.asked import FlatsSettings
from barerail.outputs.cells import PLAIN, csv_table, json_text
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.part_sheet import FOLDER, PARTS, sheet_text
from barerail.outputs.plate_rules import CHECK, PLATE_RULES
from barerail.outputs.words import fixed, rounded_up, text_table
from barerail.records import Datum, Flat, Flats, Written

COLUMNS = {
    "number": 0,
    "area_cm2": 1,
    "flat_mm": 2,
    **dict.fromkeys(("tilt_deg", "U_tilt_deg"), 3),
    **dict.fromkeys(("x_mm", "y_mm", "z_mm"), 2),
    **dict.fromkeys(("normal_x", "normal_y", "normal_z"), 6),
    **dict.fromkeys(("foot_x_mm", "foot_y_mm", "foot_z_mm", "foot_mm", "edge_mm", "away_mm"), 1),
}
MEANING = (
    "flat: width of the band that holds 95 % of the face's cells; tilt: from level; x, y, z: its middle; foot: the "
    "largest round foot that it holds, and where; edge: from the place asked for to the nearest edge or hole, 0 beside "
    "the face; away: from the place asked for to the face; edges as scanned, good to about a point spacing"
)


def flats_files(found: Flats, stem: str, datum: Datum, settings: FlatsSettings) -> Written:
    """flats-NAME.csv, .json and .txt."""
    rows = [_row(i, f) for i, f in enumerate(found.flats, 1)]
    document = {**header_fields("flat places", datum), "parts": PARTS, "columns": MEANING, "k": 2}
    body: dict[str, Any] = {
        "about_mm": np.round(found.about, 3),
        "area_cm2": settings.area_cm2,
        "flat_mm": settings.flat_mm,
        "reach_mm": settings.reach_mm,
        "flats": [{k: round(float(v), 5) for k, v in row.items()} for row in rows],
        "plate_rules": [rule._asdict() for rule in PLATE_RULES],
        "plate_rules_note": CHECK,
        "notes": [n.text for n in found.notes],
    }
    files = {
        "csv": csv_table(header_lines("flat places", datum, columns=MEANING, parts=PARTS), COLUMNS, rows, PLAIN),
        "json": json_text(document | body),
        "txt": sheet_text(flats_words(found, settings), datum, found.notes),
    }
    return Written({f"{FOLDER}/flats-{stem}.{form}": data for form, data in files.items()}, found.notes)


def flats_words(found: Flats, settings: FlatsSettings) -> str:
    """A row a flat place, nearest first, and the areas that rule books ask for."""
    about = ", ".join(fixed(v, 1) for v in found.about)
    head = ("area cm2", "flat mm", "tilt deg", "U", "x mm", "y mm", "z mm", "foot mm", "edge mm", "away mm")
    return "\n".join(
        [
            f"Flats of {settings.area_cm2:g} cm2 or more, flat within {settings.flat_mm:g} mm, within "
            f"{settings.reach_mm:g} mm of {about} mm; U: k = 2",
            text_table(head, [_cells(f) for f in found.flats], (True,) * 10),
            f"foot: diameter of the largest round foot; edge: from the place asked for to the nearest edge or hole, "
            f"good to about {found.spacing_mm:.1f} mm",
            *(f"{r.book}: {r.bound} {r.cm2:g} cm2{f', {r.more}' if r.more else ''} ({r.seen})" for r in PLATE_RULES),
            CHECK,
        ]
    )


def _cells(f: Flat) -> tuple[str, ...]:
    tilt = (fixed(f.tilt_deg.value or 0.0, 2), fixed(rounded_up(f.tilt_deg.U or 0.0, 2), 2))
    ends = (fixed(v, 0) for v in (f.disc_mm, f.edge_mm, f.away_mm))
    return (fixed(f.area_cm2, 0), fixed(f.flat_mm, 2), *tilt, *(fixed(v, 1) for v in f.centre), *ends)


def _row(number: int, f: Flat) -> dict[str, Any]:
    values = (number, f.area_cm2, f.flat_mm, f.tilt_deg.value, f.tilt_deg.U, *f.centre, *f.normal, *f.disc)
    return dict(zip(COLUMNS, (*values, f.disc_mm, f.edge_mm, f.away_mm), strict=True))
