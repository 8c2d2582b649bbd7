"""What every written file says of itself: kind, tool, unit, axes, origin, datum, k, what was guessed, cautions."""

from collections.abc import Mapping

from barerail import __version__
from barerail.outputs.cells import PLAIN, Style
from barerail.outputs.words import assumed_words, axes_words, one_line, stamp, wrapped
from barerail.records import Datum, MountPoints

CAUTION = (
    "measurement aid only, no inspection certificate and no approval; check scale, side and three hand measurements "
    "before you cut, drill or weld; not proven is not straight"
)


def header_fields(file: str, datum: Datum, style: Style = PLAIN) -> Mapping[str, str]:
    """Header of a file of the kind `file`, as ordered short keys and texts of one line; `stamp` only if unconfirmed."""
    fields = {
        "file": file,
        "tool": f"barerail {__version__}",
        "unit": f"{style.unit}, angles deg",
        "numbers": "decimal comma, cells part at semicolons" if style.decimal == "," else "",
        "axes": f"{datum.axes}, {axes_words(datum)}; left and right as seated, facing forward",
        "origin": datum.origin,
        "method": datum.method,
        "coverage": "U is the expanded uncertainty, k = 2",
        "assumed": assumed_words(datum),
        "stamp": stamp(datum),
        "scale": datum.scale,
        "cautions": CAUTION,
    }
    return {key: one_line(text) for key, text in fields.items() if text}


def states(points: MountPoints) -> dict[str, str]:
    """Points that stand where nothing was measured, by state, as a field `not_measured`; empty where there are none."""
    found: dict[str, list[str]] = {}
    for p in points.points:
        if p.state not in ("measured", "missing"):
            found.setdefault(p.state, []).append(one_line(p.name))
    return {"not_measured": "; ".join(f"{s}: {', '.join(names)}" for s, names in found.items())} if found else {}


def header_lines(file: str, datum: Datum, style: Style = PLAIN, /, **more: str) -> tuple[str, ...]:
    """The header, and `more`, as lines `key: text` of at most 110 characters; what goes on is indented."""
    fields = {**header_fields(file, datum, style), **more}
    return tuple(line for key, text in fields.items() for line in wrapped(f"{key}: {text}"))
