"""Points as text (XYZ, PTS, CSV and their like): separators, header lines, further columns, decimal commas."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from barerail.errors import DataError
from barerail.records import Array
from barerail.store import units
from barerail.store.raw import Raw, joined, truncated, within

_HEAD_BYTES, _LINES = 1 << 16, 500_000
_NAME = re.compile(r"^(?P<axis>n?[xyz])(?:[ _]?[\[(]?(?P<unit>mm|cm|m|in|ft)[\])]?)?$", re.IGNORECASE)


@dataclass
class _Layout:
    """Rows start after `skip` lines; fields are parted by `separator` (None: white space)."""

    skip: int
    separator: str | None
    comma: bool
    columns: dict[str, int]
    unit: str | None
    promised: int


def read(path: Path) -> Raw:
    """Points of a text file, and normals where it names them or three further columns are unit vectors."""
    return joined(within(blocks(path), path))


def blocks(path: Path) -> Iterator[Raw]:
    """The same in blocks."""
    layout = _layout(path)
    wanted = [layout.columns[name] for name in ("x", "y", "z")]
    normal = [layout.columns[name] for name in ("nx", "ny", "nz") if name in layout.columns]
    count = 0
    for rows in _rows(path, layout, wanted + normal):
        normals = rows[:, 3:].astype(np.float32) if len(normal) == 3 else None
        count += len(rows)
        yield Raw(np.ascontiguousarray(rows[:, :3]), normals, unit=layout.unit)
    if layout.promised > count:
        raise truncated(path, f"{layout.promised} points", f"{count}")


def _layout(path: Path) -> _Layout:
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    lines = re.split(r"\r\n|\r|\n", head.decode("utf-8-sig", "replace"))
    lines = lines[:-1] if len(head) == _HEAD_BYTES else lines
    for skip, line in enumerate(lines):
        if (found := _split(line)) and b"\0" not in head:
            separator, comma, values = found
            comments = [text.lstrip("#/ ").strip() for text in lines[:skip]]
            columns, unit = _named(comments, separator, len(values))
            columns = columns or _by_place(lines[skip:], separator, comma)
            counts = [int(text) for text in lines[:skip] if text.strip().isdigit()]
            return _Layout(skip, separator, comma, columns, unit or units.stated(comments), max(counts, default=0))
    raise DataError(f"{path.name} is no scan: it holds no row of three coordinates")


def _split(line: str) -> tuple[str | None, bool, list[float]] | None:
    """Separator, whether commas are decimal, and the values; None where the line has no three numbers in front."""
    for separator in (";", ",", None):
        comma = separator != "," and "," in line
        fields = line.replace(",", ".").split(separator) if comma else line.split(separator)
        try:
            values = [float(text) for text in fields[:3]]
        except ValueError:
            continue
        if len(values) == 3:
            return separator, comma, values + [np.nan] * (len(fields) - 3)
    return None


def _named(comments: list[str], separator: str | None, width: int) -> tuple[dict[str, int], str | None]:
    """Columns by the names in the last line before the rows, and the unit those names state."""
    names = comments[-1].split(separator) if comments else []
    matches = {i: match for i, name in enumerate(names) if (match := _NAME.match(name.strip().strip('"')))}
    columns = {match["axis"].lower(): i for i, match in matches.items()}
    if len(names) != width or not {"x", "y", "z"} <= set(columns):
        return {}, None
    stated = {match["unit"].lower() for match in matches.values() if match["unit"]}
    return columns, stated.pop() if len(stated) == 1 else None


def _by_place(lines: list[str], separator: str | None, comma: bool) -> dict[str, int]:
    """The first three columns; the next three are normals where there are just six and all are unit vectors."""
    columns = {"x": 0, "y": 1, "z": 2}
    rows = [(text.replace(",", ".") if comma else text).split(separator) for text in lines[:200] if text.strip()]
    try:
        rest = np.array([[float(text) for text in row[3:]] for row in rows])
    except ValueError:
        return columns
    unit_long = rest.shape[1:] == (3,) and np.allclose(np.linalg.norm(rest, axis=1), 1, rtol=0, atol=1e-2)
    return columns | ({"nx": 3, "ny": 4, "nz": 5} if unit_long else {})


def _rows(path: Path, layout: _Layout, columns: list[int]) -> Iterator[Array]:
    at = layout.skip
    with path.open(encoding="utf-8-sig", errors="replace") as stream:
        lines = islice(stream, at, None)
        while block := list(islice(lines, _LINES)):
            if any(map(str.strip, block)):
                yield _numbers(path, block, layout, columns, at)
            at += len(block)


def _numbers(path: Path, lines: list[str], layout: _Layout, columns: list[int], at: int) -> Array:
    if layout.comma:
        lines = [line.replace(",", ".") for line in lines]
    try:
        return np.loadtxt(lines, delimiter=layout.separator, usecols=columns, ndmin=2)
    except ValueError as error:
        row = re.search(r"row (\d+)", str(error))
        # numpy counts rows from 0 where a cell is no number, from 1 where cells are missing; blank lines count nowhere.
        first = 1 if "convert" in str(error) else 0
        place = f" near line {at + int(row[1]) + first}" if row else ""
        raise DataError(f"{path.name} is damaged or cut short{place}: a row without three coordinates") from error
