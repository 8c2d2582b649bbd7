"""E57 by pye57: all scans of a file, each by its pose, in metres (ASTM E2807); normals by their extension, `nor`."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.records import Array
from barerail.store.raw import Raw, joined, library, within

_PAGE, _BLOCK = 1024, 1_000_000
_PLACES = {
    "cartesian": ("cartesianX", "cartesianY", "cartesianZ"),
    "spherical": ("sphericalRange", "sphericalAzimuth", "sphericalElevation"),
}
_NORMALS = ("nor:normalX", "nor:normalY", "nor:normalZ")


def read(path: Path) -> Raw:
    """Points of an E57 file in its common frame, and normals; points that it marks as invalid are left out."""
    return joined(within(blocks(path), path))


def blocks(path: Path) -> Iterator[Raw]:
    """The same in blocks."""
    _check(path)
    with library(path, "pye57"):
        import pye57

        file = pye57.E57(str(path))
        try:
            scans = [scan for scan in map(file.get_header, range(file.scan_count)) if scan.point_count]
            count, given = sum(int(scan.point_count) for scan in scans), 0
            yield Raw(np.zeros((0, 3)), unit="m", promised=count)
            for scan in scans:
                for block in _scan(file, scan):
                    given += len(block.points)
                    yield block
        finally:
            file.close()
    posed = f"{len(scans)} scans in it, each by its pose" if len(scans) > 1 else ""
    left = f"{count - given} points marked as invalid left out" if given < count else ""
    yield Raw(np.zeros((0, 3)), unit="m", remarks=tuple(text for text in (posed, left) if text))


def _scan(file: Any, scan: Any) -> Iterator[Raw]:
    """One scan in blocks, by its pose."""
    held = set(scan.point_fields)
    kind = next((k for k, names in _PLACES.items() if held.issuperset(names)), None)
    if kind is None:
        raise ValueError("a scan without coordinates")
    state = f"{kind}InvalidState"
    normals = _NORMALS if held.issuperset(_NORMALS) else ()
    columns = {name: np.empty(_BLOCK) for name in (*_PLACES[kind], *normals, *held.intersection([state]))}
    turn, shift = scan.rotation_matrix, scan.translation
    for n in _filled(file, scan, columns):
        good = columns[state][:n] == 0 if state in columns else np.ones(n, bool)
        at = np.column_stack([columns[name][:n][good] for name in _PLACES[kind]])
        at = _from_spherical(at) if kind == "spherical" else at
        along = _turned([columns[name][:n][good] for name in normals], turn) if normals else None
        yield Raw(at @ turn.T + shift, along, unit="m")


def _filled(file: Any, scan: Any, columns: dict[str, Array]) -> Iterator[int]:
    """How many rows of the columns were filled anew, until all points were read."""
    from pye57 import libe57

    buffers = libe57.VectorSourceDestBuffer()
    for name, column in columns.items():
        buffers.append(libe57.SourceDestBuffer(file.image_file, name, column, len(column), True, True))
    reader = scan.points.reader(buffers)
    left = int(scan.point_count)
    while left > 0 and (n := reader.read()):
        yield n
        left -= n
    reader.close()


def _turned(normals: Sequence[Array], turn: Array) -> NDArray[np.float32]:
    with np.errstate(over="ignore", invalid="ignore"):
        along: NDArray[np.float32] = (np.column_stack(normals) @ turn.T).astype(np.float32)
    return along


def _from_spherical(at: Array) -> Array:
    """Range, azimuth from x and elevation from the x-y plane (n, 3) as x, y, z (ASTM E2807, spherical coordinates)."""
    span, azimuth, elevation = at.T
    flat = span * np.cos(elevation)
    return np.column_stack([flat * np.cos(azimuth), flat * np.sin(azimuth), span * np.sin(elevation)])


def _check(path: Path) -> None:
    """The header's own words about the file (E2807 8.1): its length, and where its description lies."""
    with path.open("rb") as stream:
        head = stream.read(48)
    if head[:8] != b"ASTM-E57" or len(head) < 48:
        raise DataError(f"{path.name} is no E57 file, whatever its name says: it doesn't start with 'ASTM-E57'")
    length, at, xml, page = (int.from_bytes(head[i : i + 8], "little") for i in (16, 24, 32, 40))
    size = path.stat().st_size
    if length > size:
        raise DataError(
            f"{path.name} is cut short: its header promises {length} bytes, the file holds {size}: copy it again"
        )
    if page != _PAGE or at + xml > size:
        raise DataError(f"{path.name} is damaged: its header points at what the file doesn't hold: copy it again")
