"""PCD: text, binary and compressed, any fields beside x, y and z."""

from dataclasses import dataclass
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.store import units
from barerail.store.raw import Raw, numbers, points_and_normals, truncated, without_empty

_LONGEST_HEADER = 1 << 16
_MOST_LZF = 88
"""Times that LZF makes data smaller at best: three bytes stand for 264."""


@dataclass
class _Header:
    dtype: np.dtype[Any]
    count: int
    data: str
    size: int
    comments: list[str]
    viewpoint: str


def read(path: Path) -> Raw:
    """Points of a PCD file, and normals where it has them; what it marks as no point is left out.

    The format states no unit. VIEWPOINT is where the scanner stood, and moves nothing.
    """
    header = _header(path)
    rows = {"ascii": _text, "binary": _binary, "binary_compressed": _compressed}[header.data](path, header)
    points, normals = points_and_normals(rows, ("normal_x", "normal_y", "normal_z"))
    raw = without_empty(Raw(points, normals, unit=units.stated(header.comments)))
    if header.viewpoint.split() not in ([], list("0001000")):
        raw.remarks += (f"its viewpoint ({header.viewpoint}) says where the scanner stood: it moves no point",)
    return raw


def _header(path: Path) -> _Header:
    with path.open("rb") as stream:
        start = stream.read(_LONGEST_HEADER)
    entries: dict[str, list[str]] = {}
    comments: list[str] = []
    at = 0
    while "DATA" not in entries:
        end = start.find(b"\n", at)
        if end < 0:
            raise DataError(f"{path.name} is no PCD file, or cut short: its header has no DATA line: export it again")
        line = start[at:end].decode("latin-1").strip()
        at = end + 1
        if line.startswith("#"):
            comments.append(line.lstrip("# "))
        elif words := line.split():
            entries[words[0].upper()] = words[1:]
    try:
        return _parsed(entries, at, comments)
    except (ValueError, KeyError, IndexError, TypeError) as error:
        raise DataError(f"{path.name} has a header that is no PCD header: {error}: export it again") from error


def _parsed(entries: dict[str, list[str]], size: int, comments: list[str]) -> _Header:
    names, sizes, types = entries["FIELDS"], entries["SIZE"], entries["TYPE"]
    counts = [int(n) for n in entries.get("COUNT", ["1"] * len(names))]
    data = entries["DATA"][0].lower()
    if not len(names) == len(sizes) == len(types) == len(counts) or min(counts) < 1:
        raise ValueError("FIELDS, SIZE, TYPE and COUNT don't go together")
    if data not in ("ascii", "binary", "binary_compressed"):
        raise ValueError(f"DATA {data}")
    single = {name for name, n in zip(names, counts) if n == 1}
    if not {"x", "y", "z"} <= single:
        raise ValueError("no fields x, y and z")
    kinds = [f"<{_KINDS[kind.upper(), width]}" for kind, width in zip(types, sizes)]
    # Fields that fill up a row may all be called `_`.
    labels = [name if names.count(name) == 1 else f"{name} {i}" for i, name in enumerate(names)]
    dtype = np.dtype([(name, kind, (n,) if n > 1 else ()) for name, kind, n in zip(labels, kinds, counts)])
    count = int(entries["POINTS"][0]) if "POINTS" in entries else int(entries["WIDTH"][0]) * int(entries["HEIGHT"][0])
    if count < 0:
        raise ValueError("a count below zero")
    return _Header(dtype, count, data, size, comments, " ".join(entries.get("VIEWPOINT", [])))


_WIDTHS = {"I": (1, 2, 4, 8), "U": (1, 2, 4, 8), "F": (4, 8)}
_KINDS = {(kind, str(n)): f"{kind.lower()}{n}" for kind, widths in _WIDTHS.items() for n in widths}


def _binary(path: Path, header: _Header) -> NDArray[Any]:
    held = (path.stat().st_size - header.size) // header.dtype.itemsize
    if held < header.count:
        raise truncated(path, f"{header.count} points", f"{held}")
    return (
        np.memmap(path, header.dtype, "r", header.size, (header.count,)) if header.count else np.zeros(0, header.dtype)
    )


def _text(path: Path, header: _Header) -> NDArray[Any]:
    width = sum(prod(header.dtype[name].shape) for name in header.dtype.names or ())
    with path.open("rb") as stream:
        stream.seek(header.size)
        values = numbers(stream.read(), path)
    if len(values) < header.count * width:
        raise truncated(path, f"{header.count} points", f"{len(values) // width}")
    rows = values[: header.count * width].reshape(-1, width)
    at, columns = 0, {}
    for name in header.dtype.names or ():
        columns[name] = rows[:, at]
        at += prod(header.dtype[name].shape)
    kinds = [(name, np.float64) for name in columns]
    out = np.empty(header.count, kinds)
    for name, column in columns.items():
        out[name] = column
    return out


def _compressed(path: Path, header: _Header) -> NDArray[Any]:
    """Fields one after the other, each for all points, as one LZF block."""
    data = path.read_bytes()[header.size :]
    packed, unpacked = (int.from_bytes(data[at : at + 4], "little") for at in (0, 4))
    if len(data) < 8 + packed:
        raise truncated(path, f"{packed} bytes", f"{max(len(data) - 8, 0)}")
    if unpacked != header.count * header.dtype.itemsize or unpacked > _MOST_LZF * packed:
        raise DataError(
            f"{path.name} is damaged: {header.count} points don't go into its {unpacked} bytes: copy it again"
        )
    plain = np.frombuffer(_lzf(data[8 : 8 + packed], unpacked, path), np.uint8)
    out, at = np.empty(header.count, header.dtype), 0
    for name in header.dtype.names or ():
        end = at + header.count * header.dtype[name].itemsize
        out[name] = plain[at:end].view(header.dtype[name].base).reshape(out[name].shape)
        at = end
    return out


def _lzf(data: bytes, size: int, path: Path) -> bytearray:
    """LZF, as its author describes it (liblzf): runs of bytes, or a step back and how many bytes to repeat."""
    out = bytearray()
    at, end = 0, len(data)
    try:
        while at < end and len(out) <= size:
            control = data[at]
            at += 1
            if control < 32:
                out += data[at : at + control + 1]
                at += control + 1
                continue
            length = control >> 5
            if length == 7:
                length += data[at]
                at += 1
            back = ((control & 31) << 8) + data[at] + 1
            at += 1
            start, length = len(out) - back, length + 2
            if start < 0:
                raise IndexError
            piece = out[start : start + length]
            out += piece if len(piece) == length else (piece * (length // back + 1))[:length]
    except IndexError:
        out.clear()
    if len(out) != size:
        raise DataError(f"{path.name} is damaged: its compressed points can't be unpacked: copy it again")
    return out
