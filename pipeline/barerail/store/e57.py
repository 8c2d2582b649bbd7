"""E57 by pye57: all scans of a file, each by its pose, in metres (ASTM E2807)."""

from pathlib import Path
from typing import Any

import numpy as np

from barerail.errors import DataError
from barerail.records import Array
from barerail.store import memory
from barerail.store.raw import Raw, library

_PAGE = 1024


def read(path: Path) -> Raw:
    """Points of an E57 file in its common frame; points that it marks as invalid are left out."""
    _check(path)
    with library(path, "pye57"):
        import pye57

        file = pye57.E57(str(path))
        try:
            scans = [file.get_header(k) for k in range(file.scan_count)]
            counts = [int(scan.point_count) for scan in scans]
            memory.check(path, sum(counts))
            parts = [_points(file, k) for k in range(len(scans)) if counts[k]]
        finally:
            file.close()
    points = np.concatenate(parts) if parts else np.zeros((0, 3))
    posed = f"{len(parts)} scans in it, each by its pose" if len(parts) > 1 else ""
    lost = sum(counts) - len(points)
    left = f"{lost} points marked as invalid left out" if lost else ""
    return Raw(points, unit="m", remarks=tuple(text for text in (posed, left) if text))


def _points(file: Any, k: int) -> Array:
    data = file.read_scan(k, ignore_missing_fields=True)
    return np.column_stack([data[f"cartesian{axis}"] for axis in "XYZ"])


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
