"""Whether a part bolts on, as CSV, JSON and a sheet of words."""

from typing import Any

import numpy as np

from barerail.asked import BoltOnSettings
from barerail.outputs.cells import PLAIN, TEXT, csv_table, json_text
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.part_sheet import FOLDER, PARTS, sheet_text
from barerail.outputs.words import fixed, one_line, rounded_up, text_table
from barerail.records import BoltOn, Datum, HoleFit, Written

COLUMNS = {
    **dict.fromkeys(("hole", "point"), TEXT),
    **dict.fromkeys(("off_x_mm", "off_y_mm", "off_mm", "room_mm", "left_mm", "U_off_mm", "under_mm"), 3),
    "lean_deg": 2,
    "fits": TEXT,
}
MEANING = (
    "off: where the bolt stands from the middle of the part's hole, in the part's drawing axes, with the part where it "
    "leaves the most room; room: what the fastener allows there; left: room less off, below 0 the hole fouls; under: "
    "how far the point lies below the part's face; U_off: k = 2, once shift and turn are fitted"
)


def bolt_on_files(found: BoltOn, stem: str, datum: Datum, settings: BoltOnSettings) -> Written:
    """bolt-on-NAME.csv, .json and .txt."""
    rows = [_row(f) for f in found.holes]
    document = {**header_fields("will it bolt on", datum), "parts": PARTS, "columns": MEANING, "k": 2}
    body: dict[str, Any] = {
        "bolt": found.bolt,
        "tapped": settings.tapped,
        "part_U_mm": settings.part_U_mm,
        "goes_on": found.goes_on,
        "draws": found.draws,
        "rms_mm": round(found.rms_mm, 4),
        "car_from_part": np.round(found.car_from_part, 9),
        "holes": [{k: v if isinstance(v, str) else round(float(v), 5) for k, v in row.items()} for row in rows],
        "notes": [n.text for n in found.notes],
    }
    files = {
        "csv": csv_table(header_lines("will it bolt on", datum, columns=MEANING, parts=PARTS), COLUMNS, rows, PLAIN),
        "json": json_text(document | body),
        "txt": sheet_text(bolt_on_words(found, settings), datum, found.notes),
    }
    return Written({f"{FOLDER}/bolt-on-{stem}.{form}": data for form, data in files.items()}, found.notes)


def bolt_on_words(found: BoltOn, settings: BoltOnSettings) -> str:
    """A row a hole, and how often the part goes on."""
    head = ("hole", "point", "off mm", "U mm", "room mm", "left mm", "under mm", "")
    table = text_table(head, [_cells(f) for f in found.holes], (False, False) + (True,) * 5 + (False,))
    thread = ", into threads" if settings.tapped else ""
    share = 100 * found.goes_on / found.draws
    return "\n".join(
        [
            f"{found.bolt}{thread}; the part where it leaves the most room; U: k = 2, of the bolt's place in the hole",
            table,
            f"goes on {np.floor(share):.0f} of 100 times: {found.goes_on} of {found.draws} draws of the true places "
            f"and sizes within U, the part's own holes within {settings.part_U_mm:g} mm (k = 2)",
            *([_advice(found)] if share < 95 else []),
        ]
    )


def _advice(found: BoltOn) -> str:
    return (
        "to raise that: scan the holes closer and join the detail scan, put pins or bolts into the holes before you "
        "scan, measure their distances by hand, or take the next clearance size"
    )


def _cells(f: HoleFit) -> tuple[str, ...]:
    off = float(np.linalg.norm(f.off))
    values = (off, rounded_up(f.U_mm, 2), f.room_mm, f.left_mm, f.under_mm)
    return (one_line(f.hole), one_line(f.point), *(fixed(v, 2) for v in values), _fits(f))


def _fits(f: HoleFit) -> str:
    return "FOULS" if f.left_mm < 0 else "within U of fouling" if f.left_mm < f.U_mm else "fits"


def _row(f: HoleFit) -> dict[str, Any]:
    off = float(np.linalg.norm(f.off))
    values = (f.hole, f.point, *f.off, off, f.room_mm, f.left_mm, f.U_mm, f.under_mm, f.lean_deg, _fits(f))
    return dict(zip(COLUMNS, values, strict=True))
