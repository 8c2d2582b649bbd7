"""OBJ: vertices and faces of any number of corners, indices from either end; no materials, nothing else is opened."""

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.records import Array
from barerail.store import units
from barerail.store.raw import Raw, check_indices, fans, integers, numbers

_VERTEX = re.compile(rb"^[ \t]*v[ \t]+([^\r\n]*)", re.MULTILINE)
_FACE = re.compile(rb"^[ \t]*f[ \t]+([^\r\n]*)", re.MULTILINE)
_COMMENT = re.compile(rb"^#([^\r\n]*)", re.MULTILINE)


def read(path: Path) -> Raw:
    """Points and triangles of an OBJ file, all its objects together."""
    data = path.read_bytes().replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
    points = _points(data, path)
    faces = [re.sub(rb"/\S*", b"", face) for face in _FACE.findall(data)]
    comments = [line.decode("utf-8", "replace") for line in _COMMENT.findall(data[: 1 << 16])]
    raw = Raw(points, unit=units.stated(comments))
    if faces:
        counts = np.array([len(face.split()) for face in faces], np.int64)
        index = integers(numbers(b"\n".join(faces), path), path)
        if len(index) != counts.sum() or (index == 0).any():
            raise DataError(f"{path.name} is damaged: a face with no proper vertex numbers")
        triangles = fans(counts, _from_zero(index, counts, data))
        raw.triangles = check_indices(triangles, len(points), path) if len(triangles) else None
    return raw


def _points(data: bytes, path: Path) -> Array:
    lines = _VERTEX.findall(data)
    if not lines:
        raise DataError(f"{path.name} holds no vertices (lines that start with 'v'): it is no scan")
    width = len(lines[0].split())
    values = numbers(b"\n".join(lines), path)
    if width < 3 or len(values) != width * len(lines):
        raise DataError(f"{path.name} is damaged or cut short: its vertices don't all have {max(width, 3)} numbers")
    return np.ascontiguousarray(values.reshape(-1, width)[:, :3])


def _from_zero(index: NDArray[np.int64], counts: NDArray[np.int64], data: bytes) -> NDArray[np.int64]:
    """Indices from 1, or from the latest vertex backwards where negative, as indices from 0."""
    if (index > 0).all():
        return index - 1
    vertex_at = np.array([m.start() for m in _VERTEX.finditer(data)])
    face_at = np.array([m.start() for m in _FACE.finditer(data)])
    before = np.repeat(np.searchsorted(vertex_at, face_at), counts)
    return np.where(index > 0, index - 1, before + index)
