"""Where the points that [datum] names are: read from the job's own points.json once, then remembered."""

import json
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np

from barerail.errors import UsageError
from barerail.geometry.frames import invert, transform
from barerail.records import Note

SAME = 5.0
"""Points closer than this, mm, are one: another fit of the same scan."""

Places = dict[str, dict[str, Any]]


def places_of(folder: Path, names: Sequence[str], pinned: Mapping[str, Mapping[str, Any]]) -> tuple[Places, list[Note]]:
    """Kind, place in the scan (mm) and unit it was read in, of each name: as `pinned` at first use, else as points.json
    has it now.

    Notes where points.json has since given a pinned name to something else. UsageError for a name that neither knows.
    """
    now = _now(folder)
    lost = [name for name in names if name not in pinned and name not in now]
    if lost:
        raise UsageError(_lost(lost[0], now, pinned))
    out = {name: dict(pinned.get(name) or now[name]) for name in names}
    return out, [note for name in names if name in pinned for note in _moved(name, pinned[name], now)]


def _now(folder: Path) -> Places:
    """What the job's points.json and datum.json say; nothing where they aren't there."""
    try:
        datum = json.loads((folder / "datum.json").read_text("utf-8"))
        points = json.loads((folder / "points.json").read_text("utf-8"))["points"]
        unit = float(datum["mm_per_scan_unit"])
        scan_from_car = invert(np.array(datum["car_from_scan"], float))
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return {
        p["name"]: {
            "kind": p["kind"],
            "at_scan_mm": np.round(transform(scan_from_car, [p["x_mm"], p["y_mm"], p["z_mm"]]), 4).tolist(),
            "mm_per_scan_unit": unit,
        }
        for p in points
        if p["state"] == "measured"
    }


def _lost(name: str, now: Mapping[str, Any], pinned: Mapping[str, Any]) -> str:
    if not now:
        return f"[datum] names {name}, but this job has no points.json now: barerail points first, then name its points"
    near = get_close_matches(name, {**now, **pinned}, 3, 0.5)
    hint = f"did you mean {', '.join(near)}?" if near else "the names stand in points.csv of the job"
    return f"[datum]: no measured point is named {name}; {hint}"


def _moved(name: str, pin: Mapping[str, Any], now: Places) -> list[Note]:
    unit = next((p["mm_per_scan_unit"] for p in now.values()), 1.0)
    at = np.array(pin["at_scan_mm"]) * (unit / pin.get("mm_per_scan_unit", unit))
    if not now or (name in now and np.linalg.norm(np.array(now[name]["at_scan_mm"]) - at) < SAME):
        return []
    called = [n for n, p in now.items() if p["kind"] == pin["kind"] and np.linalg.norm(p["at_scan_mm"] - at) < SAME]
    is_now = f"; points.csv calls it {called[0]} now" if called else ""
    text = f"{name} in [datum] is the {pin['kind']} that bore this name when it was first used there{is_now}"
    return [Note("datum", text, warning=name in now)]
