"""Names files: which features the user named, and where they are to be looked for."""

import csv
import math
import re
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import NamedTuple

from barerail.errors import UsageError
from barerail.records import KINDS, Wanted
from barerail.store.tables import number

REACH_MM = 15.0
_MM_PER = {"mm": 1.0, "in": 25.4, "m": 1000.0}
_COORDINATES = ("x", "y", "z")
_REARWARD = ("iso4130", "rearward")
_FORWARD = ("iso8855", "xforward")
_DOWN = ("j670", "zdown")
"""Words of the axes, in small letters without spaces."""

Row = tuple[int, Mapping[str, str]]
"""Line number in the file, and the cells by column."""


class Names(NamedTuple):
    """The features a file names, and the names of its rows without coordinates, which can't be looked for."""

    wanted: tuple[Wanted, ...]
    left_out: tuple[str, ...]


def parse(data: bytes, file: str, axes: str = "iso8855") -> Names:
    """What a names file names (a points.csv is one), in mm of the car axes x forward, y left, z up.

    It counts in the axes that its `#` lines state, else in `axes`, those of the job's datum.

    UsageError, with `file` and the line, for anything that isn't plain. Only rows of state `missing` may lack
    coordinates; entered and constructed points are nothing to look for.
    """
    lines = _lines(data, file)
    ahead = -1.0 if _is_rearward(lines, file, axes) else 1.0
    unit, rows = _table(lines, file)
    wanted, left_out = [], []
    for row, cells in rows:
        if cells.get("state") in ("entered", "constructed"):
            continue
        if cells.get("state") == "missing" and not any(cells.get(f"{axis}_{unit}") for axis in _COORDINATES):
            left_out.append(cells["name"])
        else:
            wanted.append(_wanted(row, cells, unit, file, ahead))
    _unique(wanted, file)
    return Names(tuple(wanted), tuple(left_out))


def axes_of(data: bytes, file: str, axes: str = "iso8855") -> str:
    """The axes that a names file counts in, iso8855 or iso4130; `axes` where it states none. UsageError as `parse`."""
    return "iso4130" if _is_rearward(_lines(data, file), file, axes) else "iso8855"


def _lines(data: bytes, file: str) -> list[str]:
    try:
        return data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        raise UsageError(f"{file} is no UTF-8 text: save it as CSV UTF-8") from error


def _is_rearward(lines: list[str], file: str, axes: str) -> bool:
    """Whether x counts rearward and y right: as the line `# axes: ...` says, else as the datum's `axes`."""
    told = [line.strip('"# \t;,') for line in lines if _is_comment(line)]
    if ride := next((text for text in told if "at ride height" in text), ""):
        raise UsageError(f"{file} states other axes ({ride}): give the points.csv of the job folder")
    said = next((text for text in told if text.lower().startswith("axes:")), "")
    if not said and (other := next((text for text in told if _speaks(text, _REARWARD + _DOWN)), "")):
        raise UsageError(f"{file} speaks of other axes ({other}): say '# axes: iso4130' or '# axes: iso8855' in a line")
    if _speaks(said, _DOWN):
        raise UsageError(f"{file} counts z down ({said}): give the points.csv of the job folder")
    if said and not _speaks(said, _REARWARD + _FORWARD):
        raise UsageError(f"{file} states axes that aren't known ({said}): say '# axes: iso4130' or '# axes: iso8855'")
    return _speaks(said, _REARWARD) if said else axes == "iso4130"


def _speaks(text: str, words: tuple[str, ...]) -> bool:
    plain = "".join(text.lower().split())
    return any(word in plain for word in words)


def _table(lines: list[str], file: str) -> tuple[str, Iterator[Row]]:
    """The unit of the coordinates, and the rows below the header row."""
    at = next((i for i, line in enumerate(lines) if not _is_comment(line) and line.strip(" ;,\t")), None)
    if at is None:
        raise UsageError(f"{file} has no header row: name, kind, x_mm, y_mm, z_mm")
    separator = next((mark for mark in ";\t" if mark in lines[at]), ",")
    columns = [name.strip() for name in next(csv.reader([lines[at]], delimiter=separator))]
    return _unit(columns, file), _rows(lines, at, columns, separator, file)


def _is_comment(line: str) -> bool:
    return line.lstrip(' "').startswith("#")


def _unit(columns: list[str], file: str) -> str:
    units = [u for u in _MM_PER if any(f"{axis}_{u}" in columns for axis in _COORDINATES)]
    needed = ["name", "kind", *(f"{axis}_{units[0] if units else 'mm'}" for axis in _COORDINATES)]
    lacking = [name for name in needed if name not in columns]
    if len(units) > 1:
        raise UsageError(f"{file} has columns in more than one unit: keep one set of x, y, z")
    if lacking:
        raise UsageError(f"{file} lacks the column {', '.join(lacking)}; it has {', '.join(filter(None, columns))}")
    if double := next((name for name in needed if columns.count(name) > 1), ""):
        raise UsageError(f"{file} has the column {double} twice")
    return units[0]


def _rows(lines: list[str], at: int, columns: list[str], separator: str, file: str) -> Iterator[Row]:
    for i, line in enumerate(lines[at + 1 :], at + 2):
        if _is_comment(line) or not line.strip(' ";,\t'):
            continue
        cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator))]
        if len(cells) > len(columns) and any(cells[len(columns) :]):
            raise UsageError(
                f"{file} line {i} has {len(cells)} cells for {len(columns)} columns: "
                "decimal commas need semicolons between the cells"
            )
        yield i, dict(zip(columns, cells))


def _wanted(row: int, cells: Mapping[str, str], unit: str, file: str, ahead: float) -> Wanted:
    place = f"{file} line {row}"
    name, kind = _plain(cells["name"]), cells.get("kind", "")
    if not name:
        raise UsageError(f"{place} has no name")
    if kind not in KINDS:
        near = get_close_matches(kind, KINDS, 1)
        hint = f"did you mean {near[0]}?" if near else f"one of {', '.join(KINDS)}"
        raise UsageError(f"{place} ({name}): '{kind}' is no kind of feature; {hint}")
    columns = [f"{axis}_{unit}" for axis in _COORDINATES]
    x, y, z = (number(cells.get(column, ""), column, place) * _MM_PER[unit] for column in columns)
    reach = _length(cells, "reach", "how far to look", place, REACH_MM)
    diameter = _length(cells, "diameter", "a diameter", place, math.nan)
    tubes = tuple(_plain(cells[column]) for column in ("tube_a", "tube_b") if cells.get(column))
    of = tubes if kind == "tube-node" and len(tubes) == 2 else ()
    return Wanted(row, name, kind, (ahead * x, ahead * y, z), reach, diameter, of)


def _plain(text: str) -> str:
    """A cell without the mark that keeps a spreadsheet from reading it as a formula."""
    return re.sub(r"^'(?=[=+\-@#])", "", text)


def _length(cells: Mapping[str, str], column: str, what: str, place: str, otherwise: float) -> float:
    """mm of a column that may be missing or empty, and is above 0 otherwise."""
    given = [(u, cells[f"{column}_{u}"]) for u in _MM_PER if cells.get(f"{column}_{u}")]
    if not given:
        return otherwise
    unit, text = given[0]
    length = number(text, f"{column}_{unit}", place) * _MM_PER[unit]
    if length <= 0:
        raise UsageError(f"{place}: {column}_{unit} is {text}: {what} must be more than 0 {unit}")
    return length


def _unique(wanted: list[Wanted], file: str) -> None:
    first: dict[str, int] = {}
    for item in wanted:
        if item.name in first:
            raise UsageError(f"{file}: the name {item.name} stands on line {first[item.name]} and on line {item.row}")
        first[item.name] = item.row
