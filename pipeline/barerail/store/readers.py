"""A scan file as a `Scan`: the format by its ending, the unit, and every check a scan must pass. Only ever reads."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError, UsageError
from barerail.records import Array, Note, Scan, Source
from barerail.store import obj, ply, stl, text, units
from barerail.store.files import sha256
from barerail.store.raw import Raw, Triangles

READERS: dict[str, Callable[[Path], Raw]] = {
    ".ply": ply.read, ".stl": stl.read, ".obj": obj.read,
    ".xyz": text.read, ".pts": text.read, ".csv": text.read, ".txt": text.read, ".asc": text.read,
}  # fmt: skip
FEWEST_POINTS = 10_000
THINNEST_MM = 1.0
FARTHEST = 1e12
"""Coordinates beyond this, in file units, are fillers like 1e38 for `no point`, and count as not finite."""


def read(paths: Sequence[Path], unit: str = "auto") -> Scan:
    """Read one scan file; coordinates come out in mm, in the file's own axes.

    UsageError: no such file, an ending that isn't read, more than one file. DataError: empty, damaged, cut short, no
    scan, too few points, flat, a unit that can't be told or makes no chassis.
    """
    check(paths)
    path = paths[0]
    raw, notes = _finite(READERS[path.suffix.lower()](path), path)
    _enough(raw, path)
    unit, assumed, told = _unit(raw, unit)
    points = raw.points * units.MM_PER[unit]
    _solid(points, path)
    source = Source(path.name, sha256(path), path.stat().st_size, (0, len(points)), np.eye(4))
    normals = _unit_long(raw.normals) if raw.triangles is None else vertex_normals(points, raw.triangles)
    remarks = tuple(Note("read", f"{path.name}: {remark}") for remark in raw.remarks)
    return Scan(points, normals, raw.triangles, unit, units.MM_PER[unit], assumed, (source,), (*remarks, *notes, *told))


def check(paths: Sequence[Path]) -> None:
    """The cheap checks, before any work: one file, there, not empty, of a format that is read."""
    if len(paths) != 1:
        raise UsageError(f"{len(paths)} scans given: this version takes one; join them in the scanner's software first")
    path = paths[0]
    if not path.exists():
        raise UsageError(f"no such file: {path}")
    if not path.is_file():
        raise UsageError(f"{path} is a folder, not a scan file")
    if not os.access(path, os.R_OK):
        raise UsageError(f"no permission to read {path}: change its permissions")
    if path.suffix.lower() not in READERS:
        endings = " ".join(READERS)
        raise UsageError(f"{path.name}: a scan ending in '{path.suffix}' isn't read: export it as one of {endings}")
    if path.stat().st_size == 0:
        raise DataError(f"{path.name} is empty: copy or export it again")


def _finite(raw: Raw, path: Path) -> tuple[Raw, tuple[Note, ...]]:
    good = np.logical_and.reduce(np.abs(raw.points) < FARTHEST, axis=1)
    lost = int((~good).sum())
    if not lost:
        return raw, ()
    if 2 * lost > len(good):
        raise DataError(f"{path.name}: {lost} of {len(good)} points have no finite coordinates: export it again")
    if raw.triangles is not None:
        whole = good[raw.triangles].all(axis=1)
        raw.triangles = (np.cumsum(good) - 1)[raw.triangles[whole]].astype(np.int32)
    raw.points = raw.points[good]
    raw.normals = None if raw.normals is None else raw.normals[good]
    note = Note("read", f"points dropped: their coordinates are not finite numbers (of {len(good)})", lost, True)
    return raw, (note,)


def _enough(raw: Raw, path: Path) -> None:
    if len(raw.points) < FEWEST_POINTS:
        raise DataError(
            f"{path.name} holds {len(raw.points)} points: a chassis takes at least {FEWEST_POINTS}; "
            "scan it denser, or export it without thinning"
        )


def _unit(raw: Raw, asked: str) -> tuple[str, bool, tuple[Note, ...]]:
    """The unit, whether it was assumed, and what to tell the user."""
    extent = units.longest(raw.points)
    if asked != "auto" or raw.unit:
        unit = asked if asked != "auto" else str(raw.unit)
        units.check(extent, unit)
        against = Note("read", f"the file states {raw.unit}, read as {unit} as asked", 1, True)
        return unit, False, (against,) if raw.unit not in (None, unit) else ()
    unit = units.guess(extent)
    size = extent * units.MM_PER[unit] / 1000
    words = f"unit assumed to be {unit}, which makes the scan {size:.2f} m long; say --unit if it is another"
    return unit, True, (Note("read", words, 1, True),)


def _solid(points: Array, path: Path) -> None:
    """DataError where all points lie in one plane; `THINNEST_MM` is rms off the best plane (judgement)."""
    off = points - points.mean(axis=0)
    rms = np.sqrt(max(np.linalg.eigvalsh(off.T @ off / len(off))[0], 0.0))
    if rms < THINNEST_MM:
        raise DataError(f"{path.name}: all points lie in one plane (rms {rms:.2g} mm off it): no scan of a chassis")


def _unit_long(normals: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
    """Unit normals, zero where the file has none; None where it has none at all."""
    if normals is None:
        return None
    with np.errstate(over="ignore", invalid="ignore"):
        length = np.linalg.norm(normals, axis=1, keepdims=True)
    good = np.isfinite(length) & (length > 0)
    scaled: NDArray[np.float32] = np.where(good, normals / np.where(good, length, 1), 0).astype(np.float32)
    return scaled if good.any() else None


def vertex_normals(points: Array, triangles: Triangles) -> NDArray[np.float32]:
    """Unit normals (n, 3) at the vertices from the triangles' winding, weighted by area; zero where there is none."""
    corners = points[triangles]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    total = np.zeros_like(points)
    for axis in range(3):
        for corner in range(3):
            total[:, axis] += np.bincount(triangles[:, corner], across[:, axis], len(points))
    length = np.linalg.norm(total, axis=1, keepdims=True)
    unit: NDArray[np.float32] = (total / np.where(length > 0, length, 1)).astype(np.float32)
    return unit
