"""Cells of tables and plain JSON: numbers at fixed decimals in the unit asked for, texts safe for spreadsheets."""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from barerail.outputs.words import fixed, one_line, rounded_up
from barerail.records import Array

TEXT = -1
"""Stands for the decimals of a column of texts."""
MM_PER = {"mm": 1.0, "m": 1000.0, "in": 25.4}
MORE_DECIMALS = {"mm": 0, "in": 2, "m": 3}
"""Decimals of a length beyond those in mm, so that none is coarser than 0.001 mm."""


@dataclass(frozen=True)
class Style:
    """How a table writes numbers: the unit of its lengths, and the decimal mark; cells part at `;` beside a comma."""

    unit: str = "mm"
    decimal: str = "."

    @property
    def separator(self) -> str:
        return ";" if self.decimal == "," else ","

    def name(self, column: str) -> str:
        """`x_mm` as it is called in this unit, `x_in`; covariances in `_mm2` too."""
        head, mark, power = column.rpartition("_mm")
        return f"{head}_{self.unit}{power}" if mark and power in ("", "2") else column

    def decimals(self, column: str, decimals: int) -> int:
        return decimals + MORE_DECIMALS[self.unit] * column.endswith("_mm")


PLAIN = Style()
"""mm with decimal points: what the job folder itself holds."""


def csv_table(
    lines: Sequence[str], columns: Mapping[str, int], rows: Iterable[Mapping[str, Any]], style: Style
) -> bytes:
    """`#` lines, a header row, a row each; UTF-8. columns: names as in mm and decimals; rows: in the style's unit."""
    mark = style.separator
    body = (mark.join(_cell(key, row[key], decimals, style) for key, decimals in columns.items()) for row in rows)
    return "\n".join([*(f"# {line}" for line in lines), mark.join(map(style.name, columns)), *body, ""]).encode()


def _cell(key: str, value: Any, decimals: int, style: Style) -> str:
    if decimals == TEXT:
        return csv_text(value)
    places = style.decimals(key, decimals)
    return fixed(rounded_up(value, places) if "U_" in key else value, places).replace(".", style.decimal)


def csv_text(value: str) -> str:
    """A text by RFC 4180; an apostrophe leads where it would read as a formula (OWASP: CSV injection) or comment."""
    text = one_line(value)
    text = f"'{text}" if text.startswith(("=", "+", "-", "@", "#")) else text
    return '"' + text.replace('"', '""') + '"' if set(text) & set('",;') else text


def rounded(row: Mapping[str, Any], columns: Mapping[str, int], style: Style) -> dict[str, Any]:
    """A row for JSON: three more decimals than in the CSV, texts as they are."""
    return {
        style.name(key): row[key]
        if isinstance(row[key], str | int)
        else round(float(row[key]), style.decimals(key, decimals) + 3) + 0.0
        for key, decimals in columns.items()
    }


def digits(values: Array) -> list[Any]:
    """An array as nested lists at nine significant digits, plenty for a covariance."""
    return [digits(v) if np.ndim(v) else float(f"{v:.9g}") for v in values]


def json_text(document: Mapping[str, Any]) -> bytes:
    """Strict JSON, keys in their order, nan and infinity as null, no minus zero; what fits in 120 is one line."""
    return (_layout(_plain(document)) + "\n").encode()


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(v) for key, v in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None
    return value


def _layout(value: Any, pad: str = "") -> str:
    line = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if len(pad) + len(line) <= 120 or not isinstance(value, dict | list):
        return line
    deeper = pad + "  "
    items = (
        [f"{json.dumps(key, ensure_ascii=False)}: {_layout(v, deeper)}" for key, v in value.items()]
        if isinstance(value, dict)
        else [_layout(v, deeper) for v in value]
    )
    start, end = "{}" if isinstance(value, dict) else "[]"
    return f"{start}\n{deeper}" + f",\n{deeper}".join(items) + f"\n{pad}{end}"
