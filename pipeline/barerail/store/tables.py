"""Tables that users type: points seen in several scans, lengths measured by hand, limits; every fault by its line."""

import csv
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path

from barerail.errors import UsageError
from barerail.records import CommonPoint, Measured

_MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
_COMMA_DECIMAL = re.compile(r"[-+]?\d*,\d+(?:[eE][-+]?\d+)?")

Row = tuple[int, Mapping[str, str]]
"""Line number in the file, and the cells by column."""


def raw(path: Path, what: str) -> bytes:
    """The bytes of a file of the kind `what`; UsageError where it can't be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise UsageError(f"can't read the {what} {path}: {error.strerror}") from error


def common_points(data: bytes, file: str, scans: Sequence[str]) -> tuple[CommonPoint, ...]:
    """Rows `point, scan, x, y, z`: where a place lies in a scan, in that scan file's own coordinates and unit.

    UsageError, with `file` and the line: a column or cell that isn't there, a scan that wasn't given, a place twice in
    one scan.
    """
    found: dict[tuple[str, str], CommonPoint] = {}
    for row, cells in rows(data, file, ("point", "scan", "x", "y", "z")):
        place, name, scan = f"{file} line {row}", cells["point"], cells["scan"]
        if not name:
            raise UsageError(f"{place} has no name of the point")
        if scan not in scans:
            near = get_close_matches(scan, scans, 1, 0.4)
            hint = f"did you mean {near[0]}?" if near else f"the scans are {', '.join(scans)}"
            raise UsageError(f"{place}: '{scan}' is none of the scans; {hint}")
        if (name, scan) in found:
            raise UsageError(f"{place}: {name} in {scan} stands on line {found[name, scan].row} already")
        x, y, z = (number(cells[axis], axis, place) for axis in "xyz")
        found[name, scan] = CommonPoint(row, name, scan, (x, y, z))
    return tuple(found.values())


def measured(data: bytes, file: str) -> tuple[Measured, ...]:
    """Rows `a, b, length_mm` with `U_mm` (k = 2) where known, or `_cm`, `_m`, `_in`, `_ft`; no length: not taken.

    UsageError, with `file` and the line: a column or name that isn't there, no length, a point to itself, a pair twice.
    """
    found: dict[frozenset[str], Measured] = {}
    lengths = tuple(f"length_{unit}" for unit in _MM_PER)
    for row, cells in rows(data, file, ("a", "b"), lengths):
        place, a, b = f"{file} line {row}", cells["a"], cells["b"]
        column = next(name for name in lengths if name in cells)
        if not cells[column]:
            continue
        if not a or not b:
            raise UsageError(f"{place} lacks the name of a point: a and b are the two that were measured between")
        if a == b:
            raise UsageError(f"{place}: {a} to itself is no length")
        if frozenset((a, b)) in found:
            raise UsageError(f"{place}: {a} to {b} stands in {found[frozenset((a, b))].given} already")
        length = _positive(cells[column], column, place) * _MM_PER[column.removeprefix("length_")]
        found[frozenset((a, b))] = Measured(place, a, b, length, _stated_U(cells, place))
    return tuple(found.values())


def cars(data: bytes, file: str) -> dict[str, tuple[str, str]]:
    """Rows `scan, car, operator`: of which car a scan file is, and who scanned it; by the path in the table.

    UsageError, with `file` and the line: a column that isn't there, no scan or car, a scan twice.
    """
    found: dict[str, tuple[str, str]] = {}
    for row, cells in rows(data, file, ("scan", "car")):
        place, scan = f"{file} line {row}", cells["scan"]
        if not scan or not cells["car"]:
            raise UsageError(f"{place} lacks the scan or the car")
        if scan in found:
            raise UsageError(f"{place}: {scan} stands in the table already")
        found[scan] = (cells["car"], cells.get("operator", ""))
    return found


def limits(data: bytes, file: str) -> dict[str, float]:
    """Rows `name, limit_mm` (or `_cm`, `_m`, `_in`, `_ft`): the user's limit on a point's shift, in mm by name.

    UsageError, with `file` and the line: a column or cell that isn't there, a limit that isn't above 0, a name twice.
    """
    found: dict[str, float] = {}
    columns = tuple(f"limit_{unit}" for unit in _MM_PER)
    for row, cells in rows(data, file, ("name",), columns):
        place, name = f"{file} line {row}", cells["name"]
        column = next(c for c in columns if c in cells)
        if not name:
            raise UsageError(f"{place} has no name of the point")
        if name in found:
            raise UsageError(f"{place}: {name} has a limit already")
        found[name] = _positive(cells[column], column, place) * _MM_PER[column.removeprefix("limit_")]
    return found


def _stated_U(cells: Mapping[str, str], place: str) -> float | None:
    for unit, k in _MM_PER.items():
        if cells.get(f"U_{unit}"):
            return _positive(cells[f"U_{unit}"], f"U_{unit}", place) * k
    return None


def rows(data: bytes, file: str, needed: Sequence[str], one_of: Sequence[str] = ()) -> Iterator[Row]:
    """The rows below the header, `#` lines and empty ones left out; all of `needed` and one of `one_of` are there."""
    try:
        lines = data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        raise UsageError(f"{file} is no UTF-8 text: save it as CSV UTF-8") from error
    at = [i for i, line in enumerate(lines) if line.strip(' ";,\t') and not line.lstrip(' "').startswith("#")]
    wanted = [*needed, *one_of[:1]]
    if not at:
        raise UsageError(f"{file} has no header row: {', '.join(wanted)}")
    separator = next((mark for mark in ";\t" if mark in lines[at[0]]), ",")
    columns = [name.strip() for name in next(csv.reader([lines[at[0]]], delimiter=separator))]
    chosen = [name for name in one_of if name in columns]
    lacking = [name for name in needed if name not in columns] + ([] if chosen or not one_of else [one_of[0]])
    if lacking:
        raise UsageError(f"{file} lacks the column {', '.join(lacking)}; it has {', '.join(filter(None, columns))}")
    if len(chosen) > 1:
        raise UsageError(f"{file} has {' and '.join(chosen)}: keep one")
    if double := next((name for name in (*needed, *chosen) if columns.count(name) > 1), ""):
        raise UsageError(f"{file} has the column {double} twice")
    for i in at[1:]:
        cells = [cell.strip() for cell in next(csv.reader([lines[i]], delimiter=separator))]
        if any(cells[len(columns) :]):
            raise UsageError(
                f"{file} line {i + 1} has {len(cells)} cells for {len(columns)} columns: "
                "decimal commas need semicolons between the cells"
            )
        yield i + 1, dict(zip(columns, [*map(_plain, cells), *[""] * len(columns)]))


def _plain(cell: str) -> str:
    """A cell without the apostrophe that keeps spreadsheets from reading a name as a formula."""
    return re.sub(r"^'(?=[=+\-@#])", "", cell)


def number(text: str, column: str, place: str) -> float:
    """The finite number in a cell, decimal point or comma; UsageError that names the column and the place."""
    dotted = text.replace(",", ".") if _COMMA_DECIMAL.fullmatch(text) else text
    try:
        value = float(dotted)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{place}: {column} is '{text}', which is no number")
    return value


def _positive(text: str, column: str, place: str) -> float:
    value = number(text, column, place)
    if value <= 0:
        raise UsageError(f"{place}: {column} is {text}: it must be more than 0")
    return value
