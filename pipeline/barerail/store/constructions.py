"""Lists of constructed points, TOML: every fault by its entry."""

import math
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

from barerail.errors import UsageError
from barerail.records import Construction

REQUIRED: Mapping[str, tuple[str, ...]] = {
    "entered": ("at",),
    "offset": ("of", "along", "by_mm"),
    "eye": ("of", "spacers_mm"),
    **{how: ("of",) for how in ("middle", "line", "pierce", "nearest", "plane", "circle", "through")},
}
"""What each way needs beside a name."""
OPTIONAL: Mapping[str, tuple[str, ...]] = {
    "entered": ("U_mm", "axis"),
    "eye": ("width_mm",),
    "pierce": ("x", "y", "z"),
}
NUMBERS = {"at": 3, "axis": 3, "spacers_mm": 2}
"""Lists of so many numbers; other values are one number."""
ALONG = ("axis", "x", "y", "z")


def constructions(data: bytes, file: str) -> tuple[Construction, ...]:
    """The `[[point]]` tables of a list: name, how, of (names), and what that way needs; lengths mm, car axes.

    UsageError, with `file`, entry and name, for anything else.
    """
    try:
        tables = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{file} is no TOML: {error}") from error
    if other := [key for key in tables if key != "point"]:
        raise UsageError(f"{file}: '{other[0]}' isn't known here; a list holds [[point]] tables only")
    entries = tables.get("point", [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise UsageError(f"{file}: write [[point]], with two brackets, above each entry")
    return tuple(_construction(e, i, file) for i, e in enumerate(entries, 1))


def _construction(entry: Mapping[str, Any], number: int, file: str) -> Construction:
    name, how = entry.get("name", ""), entry.get("how", "")
    at = f"{file} point {number}" + (f" ({name})" if name else "")
    if not isinstance(name, str) or not name.strip():
        raise UsageError(f"{at} has no name")
    if how not in REQUIRED:
        near = get_close_matches(str(how), REQUIRED, 1)
        raise UsageError(f"{at}: how = '{how}'; {f'did you mean {near[0]}?' if near else f'one of {_list(REQUIRED)}'}")
    allowed = (*REQUIRED[how], *OPTIONAL.get(how, ()))
    if extra := [key for key in entry if key not in ("name", "how", *allowed)]:
        raise UsageError(f"{at}: {how} takes {_list(allowed)}, not {extra[0]}")
    if lacking := [key for key in REQUIRED[how] if key not in entry]:
        raise UsageError(f"{at}: {how} needs {', '.join(lacking)}")
    of = entry.get("of", [])
    names = [of] if isinstance(of, str) else of
    if not isinstance(names, list) or not all(isinstance(n, str) for n in names):
        raise UsageError(f'{at}: of is a list of names, like ["a-L", "b-L"]')
    values = {key: _value(key, entry[key], at) for key in entry if key not in ("name", "how", "of")}
    return Construction(at, name, how, tuple(names), values)


def _value(key: str, value: Any, at: str) -> Any:
    if key == "along":
        if value not in ALONG:
            raise UsageError(f"{at}: along is one of {_list(ALONG)}, not '{value}'")
        return value
    many = NUMBERS.get(key)
    numbers = value if isinstance(value, list) else [value]
    good = all(isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in numbers)
    if not good or isinstance(value, list) != (many is not None) or len(numbers) != (many or 1):
        what = f"a list of {many} numbers" if many else "a number"
        raise UsageError(f"{at}: {key} is {what}, not {value!r}")
    if key in ("U_mm", "width_mm", "spacers_mm") and min(numbers) < 0:
        raise UsageError(f"{at}: {key} is {value!r}: it can't be less than 0")
    return tuple(float(v) for v in numbers) if many else float(value)


def _list(words: Any) -> str:
    return ", ".join(words)
