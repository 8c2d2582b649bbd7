"""Scan files as a `Scan`: the format by its ending, the unit, and every check a scan must pass. Only ever reads."""

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError, UsageError
from barerail.records import Array, Note, Scan, Source
from barerail.store import archive, e57, gltf, las, memory, obj, pcd, ply, stl, text, thinning, threemf, units
from barerail.store.files import sha256
from barerail.store.raw import Raw, finite, vertex_normals

READERS: dict[str, Callable[[Path], Raw]] = {
    ".ply": ply.read, ".stl": stl.read, ".obj": obj.read,
    ".3mf": threemf.read, ".glb": gltf.read, ".gltf": gltf.read, ".pcd": pcd.read,
    ".e57": e57.read, ".las": las.read, ".laz": las.read,
    ".xyz": text.read, ".pts": text.read, ".csv": text.read, ".txt": text.read, ".asc": text.read,
}  # fmt: skip
BLOCKS: dict[str, Callable[[Path], Iterator[Raw]]] = {
    ".ply": ply.blocks, ".e57": e57.blocks, ".las": las.blocks, ".laz": las.blocks,
    ".xyz": text.blocks, ".pts": text.blocks, ".csv": text.blocks, ".txt": text.blocks, ".asc": text.blocks,
}  # fmt: skip
FEWEST_POINTS, FEWEST_OF_DETAIL = 10_000, 2_000
THINNEST_MM = 1.0
FARTHEST = 1e12
"""Coordinates beyond this, in file units, are fillers like 1e38 for `no point`, and count as not finite."""


def read(paths: Sequence[Path], unit: str = "auto", scale: float = 1.0, thin_mm: float = 0.0) -> Scan:
    """Read the scan files; coordinates come out in mm times `scale`, each file's in its own axes.

    thin_mm: where it isn't 0, only one measured point in each cell of that size, mm as they come out, is kept.
    UsageError: no such file, an ending that isn't read, two of one name. DataError: empty, damaged, cut short, no scan,
    too few points, flat, a unit that can't be told or makes no chassis, one file twice.
    """
    check(paths)
    first = _one(paths[0], unit, scale, thin_mm)
    scans = [first, *(_one(path, unit, scale, thin_mm, first) for path in paths[1:])]
    return first if len(scans) == 1 else together(scans)


def _one(path: Path, unit: str, scale: float, thin_mm: float, first: Scan | None = None) -> Scan:
    """One file as a scan; after the first it may be a detail, and has the first one's unit where it states none."""
    with archive.unpacked(path, READERS) as file:
        if thin_mm:
            raw, notes = _thinned(file, path, unit, first, scale, thin_mm)
        else:
            raw = READERS[file.suffix.lower()](file)
            held = len(raw.points)
            raw, lost = finite(raw, FARTHEST)
            notes = _dropped(lost, held, path)
    triangles = 0 if raw.triangles is None else len(raw.triangles)
    memory.check(path, len(raw.points), triangles, thin_mm, bool(triangles) or raw.normals is not None)
    _enough(raw, path, FEWEST_POINTS if first is None else FEWEST_OF_DETAIL, thin_mm)
    unit, assumed, told = _unit(raw, unit) if first is None else _unit_of_more(raw, unit, first, path)
    k = units.MM_PER[unit] * scale
    points = raw.points * k
    _solid(points, path)
    source = Source(path.name, sha256(path), path.stat().st_size, (0, len(points)), np.eye(4), mm_per_unit=k)
    normals = _unit_long(raw.normals) if raw.triangles is None else vertex_normals(points, raw.triangles)
    remarks = [Note("read", f"{path.name}: {remark}") for remark in raw.remarks]
    remarks += [Note("read", f"{path.name}: lengths times {scale:g}, as asked", 1, True)] if scale != 1 else []
    return Scan(points, normals, raw.triangles, unit, k, assumed, (source,), (*remarks, *notes, *told))


def together(scans: Sequence[Scan]) -> Scan:
    """Scans of one source each as one of several, each in its own axes still; DataError where one is there twice."""
    sources = [scan.sources[0] for scan in scans]
    for k, source in enumerate(sources):
        if twin := next((s.name for s in sources[:k] if s.sha256 == source.sha256), ""):
            raise DataError(f"{source.name} is the same scan as {twin}: leave one out")
    start = np.cumsum([0, *(len(scan.points) for scan in scans)])
    sources = [replace(s, rows=(int(a), int(b))) for s, a, b in zip(sources, start, start[1:])]
    normals = [scan.normals for scan in scans if scan.normals is not None]
    meshes = [scan.triangles + at for scan, at in zip(scans, start) if scan.triangles is not None]
    lost = [
        *_lost("normals", [s.name for s, scan in zip(sources, scans) if scan.normals is None], len(scans)),
        *_lost("triangles", [s.name for s, scan in zip(sources, scans) if scan.triangles is None], len(scans)),
    ]
    return Scan(
        points=np.vstack([scan.points for scan in scans]),
        normals=np.vstack(normals) if len(normals) == len(scans) else None,
        triangles=np.vstack(meshes).astype(np.int32) if len(meshes) == len(scans) else None,
        unit=scans[0].unit,
        mm_per_unit=scans[0].mm_per_unit,
        unit_assumed=scans[0].unit_assumed,
        sources=tuple(sources),
        notes=(*(note for scan in scans for note in scan.notes), *lost),
    )


def _lost(what: str, without: Sequence[str], count: int) -> list[Note]:
    if len(without) in (0, count):
        return []
    return [Note("read", f"{what} left out of all scans, since {', '.join(without)} has none", 1, True)]


def check(paths: Sequence[Path]) -> None:
    """The cheap checks, before any work: each file is there, not empty, of a format that is read; no name twice."""
    for path in paths:
        _check(path)
    names = [path.name for path in paths]
    if double := next((name for name in names if names.count(name) > 1), ""):
        raise UsageError(f"two scans are called {double}: rename one")


def _check(path: Path) -> None:
    if not path.exists():
        raise UsageError(f"no such file: {path}")
    if not path.is_file():
        raise UsageError(f"{path} is a folder, not a scan file")
    if not os.access(path, os.R_OK):
        raise UsageError(f"no permission to read {path}: change its permissions")
    packed = path.suffix.lower() in archive.ENDINGS
    if not packed:
        _known(path.name, path.name)
    if path.stat().st_size == 0:
        raise DataError(f"{path.name} is empty: copy or export it again")
    if packed:
        _known(archive.inner(path, READERS), path.name)


def _known(name: str, told: str) -> None:
    ending = Path(name).suffix
    if ending.lower() not in READERS:
        endings = " ".join([*READERS, *archive.ENDINGS])
        raise UsageError(f"{told}: a scan ending in '{ending}' isn't read: export it as one of {endings}")


def _dropped(lost: int, held: int, path: Path) -> tuple[Note, ...]:
    if 2 * lost > held:
        raise DataError(f"{path.name}: {lost} of {held} points have no finite coordinates: export it again")
    words = f"points dropped: their coordinates are not finite numbers (of {held})"
    return (Note("read", words, lost, True),) if lost else ()


def _thinned(
    file: Path, path: Path, unit: str, first: Scan | None, scale: float, thin_mm: float
) -> tuple[Raw, tuple[Note, ...]]:
    """A file thinned as it is read, or right after where its format can't be read in blocks; what to tell of it."""

    def edge(stated: str | None) -> float:
        known = unit if unit != "auto" else stated or (first.unit if first else None)
        if known is None:
            raise UsageError(f"{path.name} states no unit, and --thin counts in mm: say the unit with --unit")
        return thin_mm / (units.MM_PER[known] * scale)

    ending = file.suffix.lower()
    blocks = BLOCKS[ending](file) if ending in BLOCKS else [READERS[ending](file)]
    found = thinning.thinned(blocks, edge, FARTHEST, thin_mm, path)
    words = (
        f"{path.name} was thinned: {len(found.raw.points)} of {found.held} points kept, a measured one in each cell of "
        f"{thin_mm:g} mm; every U follows from what was kept"
    )
    return found.raw, (Note("read", words, 1, True), *_dropped(found.lost, found.held, path))


def _enough(raw: Raw, path: Path, fewest: int, thin_mm: float) -> None:
    if len(raw.points) < fewest:
        what = "a chassis" if fewest == FEWEST_POINTS else "a scan to join"
        held = (
            f"keeps {len(raw.points)} points under --thin {thin_mm:g}" if thin_mm else f"holds {len(raw.points)} points"
        )
        advice = "thin it less" if thin_mm else "scan it denser, or export it without thinning"
        raise DataError(f"{path.name} {held}: {what} takes at least {fewest}; {advice}")


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


def _unit_of_more(raw: Raw, asked: str, first: Scan, path: Path) -> tuple[str, bool, tuple[Note, ...]]:
    """The unit of a scan after the first: asked, stated, or the first one's; a detail may be small."""
    stated = asked if asked != "auto" else raw.unit
    unit = stated or first.unit
    try:
        units.check(units.longest(raw.points), unit, units.SMALLEST_DETAIL_MM)
    except DataError as error:
        raise DataError(f"{path.name}: {error}") from error
    told = () if stated else (Note("read", f"{path.name}: unit taken to be that of {first.sources[0].name}, {unit}"),)
    return unit, first.unit_assumed, told


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
