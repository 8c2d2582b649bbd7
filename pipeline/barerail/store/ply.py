"""PLY: text and both byte orders, clouds and meshes, any further properties."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from barerail.errors import DataError
from barerail.store import plybody, units
from barerail.store.plybody import Element, Property
from barerail.store.raw import Raw, check_indices, fans, joined, within

_TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4", "float": "f4",
    "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_ORDER = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST_HEADER, _BLOCK = 1 << 20, 1_000_000


@dataclass
class _Header:
    order: str = ""
    known: bool = False
    elements: list[Element] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)
    size: int = 0


def read(path: Path) -> Raw:
    """Vertices, normals and triangles of a PLY file; DataError where it is damaged, cut short or no PLY."""
    header = _header(path)
    return joined(within(_cloud(path, header), path)) if _is_packed_cloud(header) else _whole(path, header)


def blocks(path: Path) -> Iterator[Raw]:
    """The same in blocks where it is a cloud of bytes; a mesh, or text, as one."""
    header = _header(path)
    yield from _cloud(path, header) if _is_packed_cloud(header) else [_whole(path, header)]


def _is_packed_cloud(header: _Header) -> bool:
    return bool(header.order) and not any(e.name == "face" for e in header.elements)


def _cloud(path: Path, header: _Header) -> Iterator[Raw]:
    body = plybody.open_body(path, header.order, header.size, header.elements)
    unit = units.stated(header.comments)
    for element in header.elements:
        if element.name != "vertex":
            _skip(body, element)
            continue
        columns = body.fixed(element)
        yield Raw(np.zeros((0, 3)), unit=unit, promised=element.count)
        for at in range(0, element.count, _BLOCK):
            points, normals = plybody.vertices([column[at : at + _BLOCK] for column in columns], element)
            yield Raw(points, normals, unit=unit)


def _whole(path: Path, header: _Header) -> Raw:
    body = plybody.open_body(path, header.order, header.size, header.elements)
    raw = Raw(np.zeros((0, 3)), unit=units.stated(header.comments))
    triangles = np.zeros((0, 3), np.int64)
    for element in header.elements:
        if element.name == "vertex":
            raw.points, raw.normals = plybody.vertices(body.fixed(element), element)
        elif element.name == "face":
            triangles = fans(*body.lists(element, element.corners()))
        else:
            _skip(body, element)
    raw.triangles = check_indices(triangles, len(raw.points), path) if len(triangles) else None
    return raw


def _skip(body: plybody.Body, element: Element) -> None:
    if any(p.count_type for p in element.properties):
        body.lists(element, -1)
    else:
        body.fixed(element)


def _header(path: Path) -> _Header:
    with path.open("rb") as stream:
        start = stream.read(_LONGEST_HEADER)
    if not start.startswith(b"ply"):
        raise DataError(f"{path.name} is no PLY file, whatever its name says: it doesn't start with 'ply'")
    end = start.find(b"end_header")
    line_end = start.find(b"\n", end)
    if end < 0 or line_end < 0:
        raise DataError(f"{path.name} is cut short: its header has no end: copy it again")
    try:
        return _parse(start[:end].decode("latin-1").splitlines(), line_end + 1)
    except (ValueError, KeyError, IndexError) as error:
        raise DataError(f"{path.name} has a header that is no PLY header: {error}") from error


def _parse(lines: list[str], size: int) -> _Header:
    header = _Header(size=size)
    for line in lines:
        match line.split():
            case ["format", name, *_]:
                header.order, header.known = _ORDER[name], True
            case ["comment" | "obj_info", *words]:
                header.comments.append(" ".join(words))
            case ["element", name, count]:
                header.elements.append(Element(name, int(count), []))
            case ["property", "list", count_type, kind, name]:
                header.elements[-1].properties.append(Property(name, _TYPES[kind], _TYPES[count_type]))
            case ["property", kind, name]:
                header.elements[-1].properties.append(Property(name, _TYPES[kind]))
    header.elements = [e for e in header.elements if e.properties and e.count]
    _check(header)
    return header


def _check(header: _Header) -> None:
    if not header.known:
        raise ValueError("it states no format")
    if any(e.count < 0 for e in header.elements):
        raise ValueError("a count below zero")
    vertex = [e for e in header.elements if e.name == "vertex"]
    if len(vertex) != 1:
        raise ValueError("it has no vertices" if not vertex else "it has two lists of vertices")
    plain = {p.name for p in vertex[0].properties if not p.count_type}
    if not {"x", "y", "z"} <= plain or len(plain) < len(vertex[0].properties):
        raise ValueError("its vertices have no plain x, y and z")
