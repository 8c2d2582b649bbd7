"""The unit of a scan file: stated, or judged from the size of what was scanned."""

import re

import numpy as np

from barerail.errors import DataError
from barerail.records import Array

MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
SMALLEST_MM, LARGEST_MM = 300.0, 15_000.0
SMALLEST_DETAIL_MM = 20.0
"""Of a scan of one bracket that is joined to a larger one (judgement)."""
USUAL = {"mm": (800, 7000), "cm": (150, 700), "m": (0.8, 7), "in": (60, 275), "ft": (15, 23)}
"""Longest extents, in file units, that speak for a unit: a whole chassis is 1.5 to 7 m long. Where feet and metres
overlap (5 to 7) it is metres, which scanners write and feet they seldom do (judgement)."""

_SPELT = {
    "mm": r"mm|millimet(?:er|re)s?",
    "cm": r"cm|centimet(?:er|re)s?",
    "m": r"m|met(?:er|re)s?",
    "in": r"in|inch|inches",
    "ft": r"ft|foot|feet",
}
_ANY = "|".join(f"(?P<{unit}>{words})" for unit, words in _SPELT.items())
_STATED = re.compile(rf"^\W*(?:length[ _]?)?units?\s*[:=]?\s*(?:{_ANY})\W*(?:,.*)?$", re.IGNORECASE)


def stated(comments: list[str]) -> str | None:
    """The unit that a comment of the file states, like `unit: mm`; None where none does, or two differ."""
    found = {match.lastgroup for line in comments if (match := _STATED.match(line))}
    return found.pop() if len(found) == 1 else None


def longest(points: Array) -> float:
    """Longest extent of the points (n, 3) less the farthest thousandth: how long the thing is in any pose."""
    few = points[:: max(1, len(points) // 200_000)]
    reach = np.linalg.norm(few - np.median(few, axis=0), axis=1)
    few = few[reach <= np.quantile(reach, 0.999)]
    end = few[np.argmax(np.linalg.norm(few - few.mean(axis=0), axis=1))]
    return float(np.linalg.norm(few - end, axis=1).max())


def guess(extent: float) -> str:
    """The one unit that makes `extent` (file units) a chassis; DataError where none or several do."""
    usual = [unit for unit, (low, high) in USUAL.items() if low <= extent <= high]
    if len(usual) == 1:
        return usual[0]
    able = [unit for unit, mm in MM_PER.items() if SMALLEST_MM <= extent * mm <= LARGEST_MM]
    if not usual and len(able) == 1:
        return able[0]
    if not able:
        raise DataError(f"the scan is {extent:.6g} long, which is 0.3 m to 15 m in no unit: is it a scan of a chassis?")
    rivals = " or ".join(f"{extent * MM_PER[unit] / 1000:.3g} m (read as {unit})" for unit in usual or able)
    raise DataError(f"the unit is open: the scan is {extent:.6g} long, which may be {rivals}: say which with --unit")


def check(extent: float, unit: str, smallest: float = SMALLEST_MM) -> None:
    """DataError where `extent` (file units) read as `unit` is no size for a chassis, at least `smallest` mm."""
    size = extent * MM_PER[unit]
    if smallest <= size <= LARGEST_MM:
        return
    kind, limit = ("smaller", f"{smallest / 1000:g} m") if size < smallest else ("larger", "15 m")
    long = f"{size / 1000:.0f}" if size >= 100_000 else f"{size / 1000:.3g}"
    raise DataError(f"read as {unit} the scan is {long} m long, {kind} than {limit}: is --unit right?")


def named(mm: float) -> tuple[str, float]:
    """The unit that is `mm` long and 1; where it has no name here, mm and what to multiply lengths by."""
    known = next((unit for unit, length in MM_PER.items() if abs(mm - length) <= 1e-9 * length), None)
    return (known, 1.0) if known else ("mm", mm)
