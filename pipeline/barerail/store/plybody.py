"""The body of a PLY file, bytes or text: a cursor that checks every count against what the file holds."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.records import Array
from barerail.store.raw import integers, numbers, truncated

Lists = tuple[NDArray[np.int64], NDArray[np.int64]]
"""Corner counts (f,) and all corners, one after the other."""


@dataclass
class Property:
    """One property of an element; a list where `count_type` names the type of its length."""

    name: str
    type: str
    count_type: str = ""


@dataclass
class Element:
    """One element of the header, `count` rows of its properties."""

    name: str
    count: int
    properties: list[Property]

    def corners(self) -> int:
        """Which property lists a face's vertices."""
        at = [i for i, p in enumerate(self.properties) if p.count_type and p.name.startswith("vertex_ind")]
        if len(at) != 1:
            raise DataError("the faces of this PLY file have no list of vertex indices")
        return at[0]


class Body(Protocol):
    """Reads one element after the other."""

    def fixed(self, element: Element) -> list[NDArray[Any]]:
        """An element without lists: one array a property."""

    def lists(self, element: Element, keep: int) -> Lists:
        """An element with lists: the lists of property `keep`; -1 skips them all."""


def open_body(path: Path, order: str, start: int, elements: list[Element]) -> Body:
    """The body behind a header that ends at byte `start`; `order` is < or >, or empty for text."""
    return BinaryBody(path, order, start) if order else TextBody(path, start, elements)


def vertices(columns: list[NDArray[Any]], element: Element) -> tuple[Array, NDArray[np.float32] | None]:
    """Points (n, 3), and normals where the vertices have them."""
    by_name = {p.name: column for p, column in zip(element.properties, columns)}
    points = _columns([by_name[name] for name in ("x", "y", "z")], np.float64)
    if not {"nx", "ny", "nz"} <= set(by_name):
        return points, None
    return points, _columns([by_name[name] for name in ("nx", "ny", "nz")], np.float32)


def _columns(columns: list[NDArray[Any]], dtype: Any) -> NDArray[Any]:
    out = np.empty((len(columns[0]), 3), dtype)
    # What is no finite number is dropped later on, with a count.
    with np.errstate(invalid="ignore", over="ignore"):
        for i, column in enumerate(columns):
            out[:, i] = column
    return out


class BinaryBody:
    """A body of bytes, memory-mapped."""

    def __init__(self, path: Path, order: str, start: int) -> None:
        self.path, self.order, self.at = path, order, start
        self.data = np.memmap(path, np.uint8, "r")

    def _short(self, element: Element, held: int) -> DataError:
        return truncated(self.path, f"{element.count} of '{element.name}'", f"{held}")

    def fixed(self, element: Element) -> list[NDArray[Any]]:
        # Fields by position: a file may name two properties alike.
        dtype = np.dtype([(f"{i}", self.order + p.type) for i, p in enumerate(element.properties)])
        rows = self._rows(element, dtype)
        if rows is None:
            raise self._short(element, (len(self.data) - self.at) // dtype.itemsize)
        return [rows[f"{i}"] for i in range(len(element.properties))]

    def _rows(self, element: Element, dtype: np.dtype[Any]) -> NDArray[Any] | None:
        end = self.at + element.count * dtype.itemsize
        if end > len(self.data):
            return None
        rows = self.data[self.at : end].view(dtype)
        self.at = end
        return rows

    def lists(self, element: Element, keep: int) -> Lists:
        start = self.at
        if keep >= 0 and sum(bool(p.count_type) for p in element.properties) == 1:
            rows = self._rows(element, self._as_triangles(element))
            if rows is not None and (rows["count"] == 3).all():
                return np.full(len(rows), 3), integers(rows["list"].reshape(-1), self.path)
        self.at = start
        return self._walk(element, keep)

    def _as_triangles(self, element: Element) -> np.dtype[Any]:
        kinds: list[Any] = []
        for i, p in enumerate(element.properties):
            listed = [("count", self.order + p.count_type), ("list", self.order + p.type, 3)]
            kinds += listed if p.count_type else [(f"{i}", self.order + p.type)]
        return np.dtype(kinds)

    def _walk(self, element: Element, keep: int) -> Lists:
        counts: list[int] = []
        kept: list[bytes] = []
        data, at, big = self.data.data, self.at, self.order == ">"
        sizes = [(np.dtype(p.type).itemsize, np.dtype(p.count_type or "u1").itemsize) for p in element.properties]
        for row in range(element.count):
            for i, (item, count_item) in enumerate(sizes):
                n = 1
                if element.properties[i].count_type:
                    n = int.from_bytes(data[at : at + count_item], "big" if big else "little")
                    at += count_item
                if at + n * item > len(data):
                    raise self._short(element, row)
                if i == keep:
                    counts.append(n)
                    kept.append(bytes(data[at : at + n * item]))
                at += n * item
        self.at = at
        kind = self.order + element.properties[keep].type
        return np.array(counts, np.int64), integers(np.frombuffer(b"".join(kept), kind), self.path)


class TextBody:
    """A body of text, as the numbers in it."""

    def __init__(self, path: Path, start: int, elements: list[Element]) -> None:
        self.path, self.at = path, 0
        needed = sum(2 * e.count * len(e.properties) for e in elements) - 1
        held = path.stat().st_size - start
        if held < needed:
            raise truncated(path, f"at least {needed} bytes of numbers", f"{held}")
        with path.open("rb") as stream:
            stream.seek(start)
            self.values = numbers(stream.read(), path)

    def _short(self, element: Element, held: int) -> DataError:
        return truncated(self.path, f"{element.count} of '{element.name}'", f"{held}")

    def fixed(self, element: Element) -> list[NDArray[Any]]:
        width = len(element.properties)
        end = self.at + element.count * width
        if end > len(self.values):
            raise self._short(element, (len(self.values) - self.at) // width)
        rows = self.values[self.at : end].reshape(-1, width)
        self.at = end
        return list(rows.T)

    def lists(self, element: Element, keep: int) -> Lists:
        rows = self.values[self.at : self.at + element.count * 4]
        only_list = len(element.properties) == 1 and keep == 0
        if only_list and len(rows) == element.count * 4 and (rows[::4] == 3).all():
            self.at += len(rows)
            return np.full(element.count, 3), integers(rows.reshape(-1, 4)[:, 1:].reshape(-1), self.path)
        return self._walk(element, keep)

    def _walk(self, element: Element, keep: int) -> Lists:
        counts: list[int] = []
        kept: list[Array] = []
        for row in range(element.count):
            for i, p in enumerate(element.properties):
                n = 1.0
                if p.count_type:
                    n = float(self._next(1, element, row)[0])
                values = self._next(n, element, row)
                if i == keep:
                    counts.append(int(n))
                    kept.append(values)
        flat = np.concatenate(kept) if kept else np.zeros(0)
        return np.array(counts, np.int64), integers(flat, self.path)

    def _next(self, n: float, element: Element, row: int) -> Array:
        if not 0 <= n <= len(self.values) - self.at:
            raise self._short(element, row)
        start, self.at = self.at, self.at + int(n)
        return self.values[start : self.at]
