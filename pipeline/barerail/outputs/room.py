"""Where a part comes near the scan, as CSV, JSON and a sheet of words."""

from typing import Any

import numpy as np

from barerail.asked import RoomSettings
from barerail.outputs.cells import PLAIN, TEXT, csv_table, json_text
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.part_sheet import FOLDER, PARTS, sheet_text
from barerail.outputs.words import fixed, rounded_up, text_table
from barerail.records import Datum, Room, Spot, Written

COLUMNS = {
    "number": 0,
    **dict.fromkeys(("gap_mm", "U_gap_mm"), 3),
    **{f"{of}_{k}_mm": 2 for of in ("scan", "part") for k in "xyz"},
    "across_mm": 1,
    "room": TEXT,
}
MEANING = (
    "gap: from the part to the chassis as scanned, below 0 where the part goes in; scan, part: the two nearest places; "
    "across: how far the place reaches; what was not scanned leaves no gap"
)


def room_files(found: Room, stem: str, part: str, datum: Datum, settings: RoomSettings) -> Written:
    """room-NAME.csv, .json and .txt."""
    rows = [_row(i, s, found.asked_mm) for i, s in enumerate(found.spots, 1)]
    document = {**header_fields("is there room", datum), "parts": PARTS, "columns": MEANING, "k": 2}
    body = {
        "part": part,
        "at_mm": settings.at,
        "turn_deg": settings.turn,
        "size_mm": np.round(found.size_mm, 3),
        "asked_gap_mm": found.asked_mm,
        "places": [{k: v if isinstance(v, str) else round(float(v), 4) for k, v in row.items()} for row in rows],
        "notes": [n.text for n in found.notes],
    }
    files = {
        "csv": csv_table(header_lines("is there room", datum, columns=MEANING, parts=PARTS), COLUMNS, rows, PLAIN),
        "json": json_text(document | body),
        "txt": sheet_text(room_words(found, part, settings), datum, found.notes),
    }
    return Written({f"{FOLDER}/room-{stem}.{form}": data for form, data in files.items()}, found.notes)


def room_words(found: Room, part: str, settings: RoomSettings) -> str:
    """The least gap, then a row a place under the gap asked for."""
    least = found.spots[0]
    size = " x ".join(fixed(v, 0) for v in found.size_mm)
    turned = f", turned {_numbers(settings.turn)} deg about x, y, z" if any(settings.turn) else ""
    lines = [
        f"{part}, {size} mm along x, y, z, its origin at {_numbers(settings.at)} mm{turned}",
        f"least gap {fixed(least.gap_mm, 2)} mm, U {fixed(rounded_up(least.U_mm, 2), 2)} mm (k = 2), at "
        f"{_place(least)} of the chassis",
    ]
    under = [s for s in found.spots if s.gap_mm <= found.asked_mm]
    if not found.asked_mm:
        return "\n".join(lines)
    lines.append(f"{len(under)} place{'s' if len(under) != 1 else ''} under the gap of {found.asked_mm:g} mm asked for")
    if under:
        head = ("gap mm", "U mm", "x mm", "y mm", "z mm", "across mm", "")
        lines.append(text_table(head, [_cells(s, found.asked_mm) for s in under], (True,) * 6 + (False,)))
    elif least.gap_mm - least.U_mm < found.asked_mm:
        lines.append("not proven: the least gap less its U is smaller than that")
    return "\n".join(lines)


def _numbers(values: tuple[float, float, float]) -> str:
    return ", ".join(f"{v:g}" for v in values)


def _place(s: Spot) -> str:
    return ", ".join(f"{k} {fixed(v, 1)}" for k, v in zip("xyz", s.on_scan)) + " mm"


def _cells(s: Spot, asked: float) -> tuple[str, ...]:
    values = (fixed(s.gap_mm, 2), fixed(rounded_up(s.U_mm, 2), 2), *(fixed(v, 1) for v in s.on_scan))
    return (*values, fixed(s.across_mm, 0), _room(s, asked))


def _room(s: Spot, asked: float) -> str:
    if s.gap_mm < 0:
        return "GOES IN"
    return "under" if s.gap_mm + s.U_mm <= asked else "within U of what was asked" if asked else ""


def _row(number: int, s: Spot, asked: float) -> dict[str, Any]:
    values = (number, s.gap_mm, s.U_mm, *s.on_scan, *s.on_part, s.across_mm, _room(s, asked))
    return dict(zip(COLUMNS, values, strict=True))
