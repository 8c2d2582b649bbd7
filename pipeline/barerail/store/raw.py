"""What the format readers share: the raw content of a file, and the faults that any of them may meet."""

import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barerail.errors import BarerailError, DataError, UsageError
from barerail.records import Array
from barerail.store import memory

Triangles = NDArray[np.int32]
_SOME_NORMALS = ("its normals left out, since part of it has none",)


@dataclass(eq=False)
class Raw:
    """A file's content in its own unit: points (n, 3), normals (n, 3) and triangles (t, 3) where it has them.

    promised: of a block of a file's points, how many the whole file promises; 0 where it doesn't say.
    """

    points: Array
    normals: NDArray[np.float32] | None = None
    triangles: Triangles | None = None
    unit: str | None = None
    remarks: tuple[str, ...] = ()
    promised: int = 0


def truncated(path: Path, promised: str, held: str) -> DataError:
    """The header promises more than the file holds."""
    return DataError(f"{path.name} is cut short: its header promises {promised}, the file holds {held}: copy it again")


def numbers(text: bytes, path: Path) -> Array:
    """All the white-space separated numbers of `text`; DataError where anything else stands between them."""
    with warnings.catch_warnings():
        # Older numpy warns about unread text and returns what came before it; newer numpy raises.
        warnings.simplefilter("error", DeprecationWarning)
        try:
            return np.fromstring(text, sep=" ")
        except (ValueError, DeprecationWarning) as error:
            raise DataError(f"{path.name} is damaged: words stand where only numbers should") from error


def integers(values: NDArray[Any], path: Path) -> NDArray[np.int64]:
    """Vertex numbers as int64; DataError where one is no whole number."""
    if values.dtype.kind == "f" and not (np.abs(values) < 2**53).all():
        raise DataError(f"{path.name} is damaged: a face with a vertex number that is none")
    return values.astype(np.int64)


def check_indices(triangles: NDArray[np.int64], n: int, path: Path) -> Triangles:
    """Triangles as int32; DataError where one points at a vertex that isn't there."""
    if triangles.size and (triangles.min() < 0 or triangles.max() >= n):
        raise DataError(f"{path.name} is damaged: a face uses a vertex that the file doesn't hold ({n} vertices)")
    return triangles.astype(np.int32)


def fans(counts: NDArray[np.int64], flat: NDArray[np.int64]) -> NDArray[np.int64]:
    """Polygons as triangles (t, 3), each a fan about its first corner; counts (f,) corners of `flat` each."""
    if (counts == 3).all():
        return flat.reshape(-1, 3)
    start = np.cumsum(counts) - counts
    parts = []
    for size in np.unique(counts[counts >= 3]):
        corners = flat[start[counts == size][:, None] + np.arange(size)]
        fan = [corners[:, [0, i, i + 1]] for i in range(1, size - 1)]
        parts.append(np.concatenate(fan))
    return np.concatenate(parts) if parts else np.zeros((0, 3), np.int64)


def points_and_normals(rows: NDArray[Any], normal: Sequence[str]) -> tuple[Array, NDArray[np.float32] | None]:
    """Fields x, y, z of rows (n,) as points (n, 3), and the fields of `normal` as normals where all are there."""
    names = rows.dtype.names or ()
    # What is no finite number is dropped later on, with a count.
    with np.errstate(invalid="ignore", over="ignore"):
        points = np.column_stack([rows[name].astype(np.float64) for name in ("x", "y", "z")])
        if not set(normal) <= set(names):
            return points, None
        return points, np.column_stack([rows[name].astype(np.float32) for name in normal])


def finite(raw: Raw, farthest: float) -> tuple[Raw, int]:
    """Without the points, and their triangles, that lie farther off or are no finite numbers; how many they are."""
    good = np.logical_and.reduce(np.abs(raw.points) < farthest, axis=1)
    lost = int((~good).sum())
    if not lost:
        return raw, 0
    triangles = raw.triangles
    if triangles is not None:
        triangles = (np.cumsum(good) - 1)[triangles[good[triangles].all(axis=1)]].astype(np.int32)
    normals = None if raw.normals is None else raw.normals[good]
    return replace(raw, points=raw.points[good], normals=normals, triangles=triangles), lost


def without_empty(raw: Raw) -> Raw:
    """A cloud without the places that the format itself marks as no point, by coordinates that are no number."""
    whole = ~np.isnan(raw.points).any(axis=1)
    lost = int((~whole).sum())
    if lost:
        raw.points = raw.points[whole]
        raw.normals = None if raw.normals is None else raw.normals[whole]
        raw.remarks += (f"{lost} places without a point, as the format marks them, left out",)
    return raw


def moved(points: Array, matrix: Array) -> Array:
    """Points (n, 3) under a 4x4 matrix."""
    out: Array = points @ matrix[:3, :3].T + matrix[:3, 3]
    return out


def one_mesh(parts: Sequence[tuple[Array, NDArray[np.int64]]], path: Path) -> Raw:
    """Parts (points, triangles with indices into them) as one mesh."""
    start = np.cumsum([0, *(len(points) for points, _ in parts)])
    points = np.concatenate([points for points, _ in parts])
    faces = [check_indices(triangles, len(part), path) + at for (part, triangles), at in zip(parts, start)]
    return Raw(points, triangles=np.concatenate(faces).astype(np.int32))


def within(blocks: Iterable[Raw], path: Path) -> Iterator[Raw]:
    """The blocks as they come; DataError as soon as it is known that the job on all of them doesn't go into memory."""
    count = 0
    for block in blocks:
        count += len(block.points)
        memory.check(path, max(block.promised, count))
        yield block


def joined(blocks: Iterable[Raw]) -> Raw:
    """A cloud's blocks as one."""
    kept = list(blocks)
    full = [block for block in kept if len(block.points)]
    normals = [block.normals for block in full if block.normals is not None]
    some = 0 < len(normals) < len(full)
    return Raw(
        np.concatenate([np.zeros((0, 3)), *(block.points for block in full)]),
        np.concatenate(normals) if normals and not some else None,
        unit=next((block.unit for block in kept if block.unit), None),
        remarks=tuple(dict.fromkeys([*(r for block in kept for r in block.remarks), *(_SOME_NORMALS if some else ())])),
    )


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


@contextmanager
def library(path: Path, name: str) -> Iterator[None]:
    """Whatever the library `name` raises about a file comes out as DataError; UsageError where it isn't installed."""
    try:
        yield
    except (BarerailError, MemoryError):
        raise
    except ImportError as error:
        raise UsageError(
            f"{path.name}: files of this format are read by {name}, which isn't installed: "
            f"pip install 'barerail[{name}]', or export the scan as PLY"
        ) from error
    except Exception as error:
        said = (str(error).strip().splitlines() or [type(error).__name__])[0][:120]
        raise DataError(
            f"{path.name} is damaged, or of a kind that {name} can't read ({said}): export it again"
        ) from error
