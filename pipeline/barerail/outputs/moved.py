"""What moved, in words and as tables: moved.csv, moved.json, rails.csv."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from barerail.outputs.cells import PLAIN, TEXT, csv_table, json_text
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.words import ASSUMED, expanded, fixed, one_line, rounded_up, text_table
from barerail.records import Datum, Measure, Moves, RailShift, Shift

COLUMNS = {
    **dict.fromkeys(("name", "kind", "side"), TEXT),
    **dict.fromkeys(("x_mm", "y_mm", "z_mm", "dx_mm", "dy_mm", "dz_mm", "U_dx_mm", "U_dy_mm", "U_dz_mm"), 3),
    **dict.fromkeys(("shift_mm", "U_shift_mm", "U_drift_mm", "U_supports_mm"), 3),
    "state": TEXT,
    "limit_mm": 3,
    **dict.fromkeys(("verdict", "words"), TEXT),
}
RAIL_COLUMNS = {
    "side": TEXT,
    **dict.fromkeys(("x_mm", "y_mm", "z_mm", "dy_mm", "dz_mm", "U_dy_mm", "U_dz_mm"), 3),
    **dict.fromkeys(("roll_deg", "U_roll_deg"), 4),
}
HELD = (
    "of tubes and rails across them, of faces along their normal, since how far they were seen is no move; its size, "
    "where one direction is too loose, is that of the part that is told"
)
ABOUT = (
    f"later less earlier, in the earlier scan's car axes; places are the earlier ones; limits are the user's; {HELD}"
)
ROLL = "by how much the section turned, the same in all axes; positive: its left side went up"
STATES = (
    "moved: beyond what all points together show by chance once in twenty; verdicts keep a guard band of U inside the "
    "limit"
)
SHARES = (
    "of U_shift_mm: U_drift_mm is what drift of both scanners makes, settings; U_supports_mm how the frame stood, 0 "
    "where that is known of both or set as 0, empty where it isn't and can't be told; both grow with the distance from "
    "what stayed"
)
FOLDER = "compare"


def moved_files(moves: Moves, datum: Datum) -> Mapping[str, bytes]:
    """The tables, by path in the later job's folder; summary.txt is what the screen says."""
    lines = header_lines("shifts between two scans", datum, shift=ABOUT, state=STATES, shares=SHARES)
    rails = header_lines("shifts of the rails between two scans", datum, shift=ABOUT, roll=ROLL)
    return {
        f"{FOLDER}/moved.csv": csv_table(lines, COLUMNS, map(_row, moves.shifts), PLAIN),
        f"{FOLDER}/rails.csv": csv_table(rails, RAIL_COLUMNS, (r for c in moves.rails for r in _rail_rows(c)), PLAIN),
        f"{FOLDER}/moved.json": json_text(_document(moves, datum)),
        f"{FOLDER}/summary.txt": f"{moved_words(moves)}\n".encode(),
    }


def moved_words(moves: Moves) -> str:
    """What the screen says: what it rests on, each point that moved, those without a partner, the bends."""
    moved = sorted((s for s in moves.shifts if s.found == "moved"), key=lambda s: -s.size_mm)
    still = sum(s.found == "no movement above U" for s in moves.shifts)
    head = ("", "shift mm", "U mm", "drift's", "supports'", "", "")
    rows = [_moved_cells(s) for s in moved]
    lines = [note.text for note in moves.notes]
    lines.append(f"{len(moved)} of {len(moved) + still} points moved; the others show no movement above U (k = 2)")
    if rows:
        lines.append(text_table(head, rows, (False, True, True, True, True, False, False)))
    lines += [text for text in (missing_words(moves), _judged(moves)) if text]
    if moves.added:
        lines.append(f"only in the later scan: {', '.join(map(one_line, moves.added))}")
    told = [_bend_cells(name, m) for name, m in moves.measures.items()]
    lines.append("How the frame bent between the two; U: k = 2")
    lines.append(text_table(("", "value ± U", "drift's", "supports'", ""), told, (False, False, True, True, False)))
    lines.append(f"shift: {HELD}")
    lines.append("drift's, supports': the shares of U that drift of both scanners makes, and how the frame stood")
    lines += [f"assumed: {ASSUMED[key]}" for key in moves.assumed]
    return "\n".join(lines)


def _moved_cells(s: Shift) -> tuple[str, ...]:
    size = fixed(s.size_mm, 2), _up(s.U_mm), _up(s.U_drift_mm), _up(s.U_supports_mm)
    return one_line(s.name), *size, s.verdict, s.words


def _up(u: float) -> str:
    return fixed(rounded_up(u, 2), 2)


def _bend_cells(name: str, m: Measure) -> tuple[str, ...]:
    title, value, reason = measure_cells(name, m)
    decimals = 3 if m.unit == "deg" else 2
    shares = (fixed(rounded_up(u, decimals), decimals) if u is not None else "" for u in (m.U_drift, m.U_supports))
    return title, value, *shares, reason


def missing_words(moves: Moves) -> str:
    """Points that the later scan doesn't show, and why; empty for none."""
    parts = []
    for state in ("not found", "not scanned"):
        names = [one_line(s.name) for s in moves.shifts if s.found == state]
        if names:
            parts.append(f"{state} in the later scan: {', '.join(names)}")
    return "; ".join(parts)


def _judged(moves: Moves) -> str:
    judged = [s for s in moves.shifts if s.limit_mm is not None]
    if not judged:
        return "no limit was given, so there is no verdict (--limit, --watch)"
    seen = sum(bool(np.isfinite(s.size_mm)) for s in judged)
    if seen and "supports" in moves.assumed and {s.verdict for s in judged} == {"not proven"}:
        return f"against the limits: none of {seen} seen is proven while it is not known how the frame stood"
    parts = []
    for state in ("outside", "not proven", "within"):
        names = [one_line(s.name) for s in judged if s.verdict == state]
        told = f": {', '.join(names)}" if names and state != "within" else ""
        parts.append(f"{len(names)} {state}{told}")
    return f"against the limits, guard band U: {'; '.join(parts)}"


def measure_cells(name: str, m: Measure) -> tuple[str, str, str]:
    """Name, value with U, reason of one measure."""
    unit = "deg" if name.endswith("_deg") else "mm"
    title = name.removesuffix(f"_{unit}").replace("_", " ")
    if m.value is None or m.U is None:
        return title, "", f"not determinable: {m.reason}"
    decimals = 3 if unit == "deg" else 2
    return title, f"{fixed(m.value, decimals, '+')} ± {fixed(rounded_up(m.U, decimals), decimals)} {unit}", ""


def _row(s: Shift) -> dict[str, Any]:
    u = expanded(s.cov)
    limit = np.nan if s.limit_mm is None else s.limit_mm
    values = (*s.position, *s.shift, *u, s.size_mm, s.U_mm, s.U_drift_mm, s.U_supports_mm)
    numbers = dict(zip(list(COLUMNS)[3:16], values, strict=True))
    texts = {"name": s.name, "kind": s.kind, "side": s.side, "state": s.found, "verdict": s.verdict, "words": s.words}
    return {**numbers, **texts, "limit_mm": limit}


def _rail_rows(c: RailShift) -> list[dict[str, Any]]:
    keys = list(RAIL_COLUMNS)[1:]
    rows = zip(c.at, c.shift, c.U, c.roll_deg, c.U_roll_deg)
    return [{"side": c.side, **dict(zip(keys, (*p, *d[1:], *u[1:], r, v)))} for p, d, u, r, v in rows]


def _document(moves: Moves, datum: Datum) -> dict[str, Any]:
    u = moves.unmoved
    measures: dict[str, Any] = {}
    for name, m in moves.measures.items():
        measures |= {name: m.value, f"{name}_U": m.U} | ({f"{name}_reason": m.reason} if m.reason else {})
        shares = {f"{name}_U_drift": m.U_drift, f"{name}_U_supports": m.U_supports}
        measures |= {key: share for key, share in shares.items() if share is not None}
    return {
        **header_fields("shifts between two scans", datum),
        "about": {"shift": ABOUT, "state": STATES, "shares": SHARES},
        "assumed": list(moves.assumed),
        "unmoved": {
            "by": u.by,
            "earlier_from_later": u.pose,
            "covariance": u.cov,
            "about_mm": u.about,
            "share": u.share,
            "spread_mm": u.spread_mm,
            "blocks": len(u.places),
        },
        "measures": measures,
        "points": [_json_row(s) for s in moves.shifts],
        "only_later": list(moves.added),
        "notes": [note.text for note in moves.notes],
    }


def _json_row(s: Shift) -> dict[str, Any]:
    row = {key: round(v, 6) if isinstance(v, float) else v for key, v in _row(s).items()}
    return {**row, "covariance_mm2": s.cov}
