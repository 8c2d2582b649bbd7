"""LAS and LAZ by laspy: scaled coordinates, normals where they are extra dimensions, deleted points left out, the unit
from the coordinate system it states."""

import re
import struct
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.store import apart, units
from barerail.store.raw import Raw, joined, library, truncated, within

_MM_PER_KEY = {9001: 1000.0, 9002: 304.8, 9003: 1200_000 / 3937}
"""EPSG codes of length units: metre, foot, US survey foot (OGC 19-008r4 GeoTIFF, ProjLinearUnitsGeoKey 3076)."""
_GEOKEYS, _WKT = 34735, 2112
_WKT_UNIT = re.compile(r'(?:LENGTHUNIT|(?<!ANGLE)UNIT)\["([^"]*)",\s*([0-9.eE+-]+)')
_CHUNK = 1_000_000


def read(path: Path) -> Raw:
    """Points of a LAS or LAZ file; points that it marks as withheld are left out.

    Counts are checked against the file's size first (ASPRS LAS 1.4 R15, public header block).
    """
    return joined(within(blocks(path), path))


def blocks(path: Path) -> Iterator[Raw]:
    """The same in blocks. What is packed is unpacked in another process: hostile bytes end or stall the library."""
    return apart.blocks(path, f"{__name__}:unpacked") if _check(path) else unpacked(path)


def unpacked(path: Path) -> Iterator[Raw]:
    """The blocks, in this process, of a file that was checked."""
    lost = 0
    with library(path, "laspy"):
        import laspy

        with laspy.open(path, read_evlrs=False) as reader:
            unit, k = _unit(reader.header.vlrs, path)
            normals = _normals(reader.header.point_format.extra_dimensions)
            yield Raw(np.zeros((0, 3)), unit=unit, promised=int(reader.header.point_count))
            for chunk in reader.chunk_iterator(_CHUNK):
                kept = np.asarray(chunk.withheld) == 0
                lost += int((~kept).sum())
                points = np.column_stack([chunk.x, chunk.y, chunk.z])[kept]
                along = _columns(chunk, normals)[kept] if normals else None
                yield Raw(points * k if k != 1 else points, along, unit=unit)
    if lost:
        yield Raw(np.zeros((0, 3)), unit=unit, remarks=(f"{lost} points marked as withheld left out",))


def _normals(extra: Iterable[Any]) -> tuple[str, ...]:
    """Names of the extra dimensions that hold normals, as is common practice: NormalX, NormalY, NormalZ."""
    found = {dim.name.lower(): dim.name for dim in extra if dim.num_elements == 1}
    names = tuple(found.get(f"normal{axis}", "") for axis in "xyz")
    return names if all(names) else ()


def _columns(chunk: Any, names: Sequence[str]) -> NDArray[np.float32]:
    with np.errstate(over="ignore", invalid="ignore"):
        return np.column_stack([np.asarray(chunk[name]).astype(np.float32) for name in names])


def _check(path: Path) -> bool:
    """Whether the points are packed (LAZ), whatever the file's ending; DataError where the counts can't be."""
    with path.open("rb") as stream:
        head = stream.read(375)
    if head[:4] != b"LASF" or len(head) < 227:
        raise DataError(f"{path.name} is no LAS file, whatever its name says: it doesn't start with 'LASF'")
    size = path.stat().st_size
    (header,) = struct.unpack_from("<H", head, 94)
    start, records, form, length, count = struct.unpack_from("<IIBHI", head, 96)
    if head[25] >= 4 and len(head) == 375:
        (count,) = struct.unpack_from("<Q", head, 247)
    if header + 54 * records > start or start > size:
        raise DataError(f"{path.name} is damaged: its header promises more records than the file holds: copy it again")
    if form & 0x80:
        _check_chunks(path, start, size)
    elif start + count * length > size:
        raise truncated(path, f"{count} points", f"{(size - start) // max(length, 1)}")
    return bool(form & 0x80)


def _check_chunks(path: Path, start: int, size: int) -> None:
    """The table of a LAZ file's packed pieces, each of which holds its first point unpacked: 20 bytes at least."""
    with path.open("rb") as stream:
        for place in (start, size - 8):
            stream.seek(place)
            at = int.from_bytes(stream.read(8), "little", signed=True)
            if at != -1:
                break
        if not start < at <= size - 8:
            raise DataError(
                f"{path.name} is cut short or damaged: its table of packed pieces isn't in it: copy it again"
            )
        stream.seek(at + 4)
        pieces = int.from_bytes(stream.read(4), "little")
    if 20 * pieces > size:
        raise DataError(
            f"{path.name} is damaged: it promises {pieces} packed pieces, more than it holds: copy it again"
        )


def _unit(records: Any, path: Path) -> tuple[str | None, float]:
    """The unit of the stated coordinate system, None where none is, and what to multiply coordinates by."""
    for record in records:
        if record.record_id == _WKT:
            return _wkt_unit(record.record_data_bytes().decode("utf-8", "replace"), path)
        if record.record_id == _GEOKEYS:
            data = record.record_data_bytes()
            keys = np.frombuffer(data[: len(data) // 8 * 8], "<u2").reshape(-1, 4)[1:]
            stated = {int(key): int(value) for key, place, _, value in keys if place == 0}
            if stated.get(1024) == 2:
                raise _degrees(path)
            if stated.get(3076) in _MM_PER_KEY:
                return units.named(_MM_PER_KEY[stated[3076]])
    return None, 1.0


def _wkt_unit(text: str, path: Path) -> tuple[str | None, float]:
    """The length unit of well-known text: the last one in it, after those of the ellipsoid and of angles."""
    if re.match(r"\s*GEOG", text):
        raise _degrees(path)
    lengths = [float(k) for name, k in _WKT_UNIT.findall(text) if not re.match(r"deg|rad|grad", name, re.IGNORECASE)]
    return units.named(lengths[-1] * 1000) if lengths and lengths[-1] > 0 else (None, 1.0)


def _degrees(path: Path) -> DataError:
    return DataError(f"{path.name} holds degrees of latitude and longitude, no lengths: export it in a plane grid, m")
