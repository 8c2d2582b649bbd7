"""What hand measurements said: in words, as check.json, and the lengths that are asked for as a table to fill in."""

import json
from collections.abc import Mapping

import numpy as np

from barerail.outputs.cells import csv_text
from barerail.outputs.page_checks import hand_checks
from barerail.outputs.words import fixed, one_line, rounded_up, text_table
from barerail.records import Check, Compared, MountPoints, NoiseModel

UNCHECKED = "SCALE NOT CHECKED"
TO_MEASURE = "to-measure.csv"
NOT_CHECKED = Check((), float("nan"), float("nan"), "not checked")


def scale_words(check: Check) -> str:
    """Whether lengths were checked by hand, in one line; `UNCHECKED` leads where they weren't, or didn't pass."""
    apart = sum(not row.agrees for row in check.rows)
    why = {
        "not checked": f"measure the lengths in {TO_MEASURE} by hand and give them to barerail check",
        "failed": f"{apart} of {len(check.rows)} hand measurements disagree by more than U",
        "not proven": f"the hand measurements hold the scale to {_percent(check.U_scale)} only (k = 2)",
    }
    if check.state in why:
        return f"{UNCHECKED}: {why[check.state]}"
    count = f"{len(check.rows)} hand measurement{'s' if len(check.rows) > 1 else ''}"
    return f"scale checked by {count}: hand over scan {_factor(check)}"


def check_words(check: Check) -> str:
    """A row a length: expected, measured, difference, U, agreement; then the scale and what to do about it."""
    if not check.rows:
        return scale_words(check)
    head = ("a", "b", "expected mm", "measured mm", "difference mm", "U mm", "")
    table = text_table(head, [_cells(row) for row in check.rows], (False, False, True, True, True, True, False))
    lines = [f"Hand measurements; U: k = 2, of the difference\n{table}", f"scale  hand over scan {_factor(check)}"]
    if check.state == "failed" and abs(check.scale - 1) > check.U_scale:
        lines.append(
            f"       where a calibrated length says so: barerail clean SCAN --job DIR --scale {check.scale:.5f}; "
            "first look whether the unit is right, and each length between the points it names"
        )
    return "\n".join([*lines, scale_words(check)])


def _cells(row: Compared) -> tuple[str, ...]:
    off, u = row.measured_mm - row.expected_mm, rounded_up(row.U_mm, 2)
    values = (fixed(row.expected_mm, 2), fixed(row.measured_mm, 2), fixed(off, 2, "+"), fixed(u, 2))
    return (one_line(row.a), one_line(row.b), *values, "agrees" if row.agrees else "DISAGREES")


def _factor(check: Check) -> str:
    return f"{check.scale:.5f}, U {rounded_up(check.U_scale, 5):.5f}"


def _percent(share: float) -> str:
    return f"{100 * rounded_up(share, 4):.2f} %"


def check_files(check: Check, points: MountPoints, noise: NoiseModel) -> Mapping[str, bytes]:
    """check.json with the outcome, and the table of lengths to measure by hand, its last column to be filled in."""
    asked = hand_checks(points.points, noise)
    document = {
        "state": check.state,
        "words": scale_words(check),
        "k": 2,
        "unit": "mm",
        "scale": _number(check.scale, 6),
        "scale_U": _number(check.U_scale, 6),
        "lengths": [_row(row) for row in check.rows],
        "asked": [{"what": c.what, "a": c.a.name, "b": c.b.name} for c in asked],
    }
    lines = [
        "# straight distances to measure by hand, centre to centre; fill in length_mm, and U_mm (k = 2) if known",
        "# copy this file first; then: barerail check MEASURED.csv --job DIR",
        "a,b,length_mm,U_mm",
        *(f"{csv_text(c.a.name)},{csv_text(c.b.name)},," for c in asked),
    ]
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    return {"check.json": f"{text}\n".encode(), TO_MEASURE: "\n".join([*lines, ""]).encode()}


def _row(row: Compared) -> dict[str, object]:
    return {
        "a": row.a,
        "b": row.b,
        "expected_mm": _number(row.expected_mm, 3),
        "measured_mm": _number(row.measured_mm, 3),
        "difference_mm": _number(row.measured_mm - row.expected_mm, 3),
        "U_mm": _number(row.U_mm, 3),
        "agrees": row.agrees,
    }


def _number(value: float, decimals: int) -> float | None:
    return round(float(value), decimals) + 0.0 if np.isfinite(value) else None
