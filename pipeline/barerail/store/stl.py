"""STL: binary and text, with its triangles' corners joined again."""

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.store.raw import Raw, numbers, truncated

_HEADER = 84
_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)


def read(path: Path) -> Raw:
    """Triangles of an STL file; a header that starts with 'solid' doesn't make it text, its size decides."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        start = stream.read(1024)
    promised = int.from_bytes(start[80:_HEADER], "little") if size >= _HEADER else 0
    if size == _HEADER + promised * _FACET.itemsize and promised:
        return _binary(path, promised)
    if start.lstrip()[:5].lower() == b"solid" and b"facet" in start.lower():
        return _text(path)
    held = max(size - _HEADER, 0) // _FACET.itemsize
    if held < promised or not promised:
        raise truncated(path, f"{promised} triangles", f"{held}")
    raw = _binary(path, promised)
    raw.remarks = (f"{size - _HEADER - promised * _FACET.itemsize} bytes after the last triangle were left unread",)
    return raw


def _binary(path: Path, count: int) -> Raw:
    facets = np.memmap(path, _FACET, "r", _HEADER, (count,))
    return _joined(facets["corners"].reshape(-1, 3))


def _text(path: Path) -> Raw:
    data = path.read_bytes()
    corners = re.findall(rb"vertex([^\r\n]*)", data, re.IGNORECASE)
    facets = len(re.findall(rb"endfacet", data, re.IGNORECASE))
    if len(corners) != 3 * facets or not re.search(rb"endsolid[^\r\n]*\s*\Z", data, re.IGNORECASE):
        raise DataError(f"{path.name} is cut short: {len(corners)} corners for {facets} whole triangles: copy it again")
    values = numbers(b"\n".join(corners), path)
    if len(values) != 9 * facets or not facets:
        raise DataError(f"{path.name} is damaged: {facets} triangles with {len(values)} coordinates instead of 9 each")
    return _joined(values.reshape(-1, 3))


def _joined(corners: NDArray[np.floating]) -> Raw:
    """Corners (3 t, 3) that are the same to the last bit become one vertex; vertices in the order of the file."""
    with np.errstate(invalid="ignore"):
        corners = np.ascontiguousarray(corners) + np.zeros(1, corners.dtype)  # -0 is 0
    words = corners.view(np.uint32 if corners.dtype == np.float32 else np.uint64)
    order = np.argsort((words.astype(np.uint64) * _MIX).sum(axis=1), kind="stable")
    ranked = words[order]
    new = np.concatenate([[True], (ranked[1:] != ranked[:-1]).any(axis=1)])
    first = order[new]
    place = np.empty(len(first), np.int64)
    place[np.argsort(first, kind="stable")] = np.arange(len(first))
    vertex = np.empty(len(corners), np.int32)
    vertex[order] = place[np.cumsum(new) - 1]
    return Raw(corners[np.sort(first)].astype(np.float64), triangles=vertex.reshape(-1, 3))
