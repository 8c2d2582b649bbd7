"""A record as npz bytes and back, exactly: the tree as JSON, its arrays joined into one member a dtype.

Nothing is pickled: only dataclasses of `barerail.records` are ever made, from plain values and numbers.
"""

import io
import json
import math
import zipfile
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from barerail import records
from barerail.errors import DataError

TREE = "tree"
_TYPES = {name: cls for name, cls in vars(records).items() if isinstance(cls, type) and is_dataclass(cls)}
_ODD_FLOATS = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


class _Encoder:
    def __init__(self, shared: Mapping[str, Any]) -> None:
        self.names = {id(value): name for name, value in shared.items() if value is not None}
        self.arrays: dict[str, list[NDArray[Any]]] = {}
        self.filled: dict[str, int] = {}

    def tree(self, value: Any) -> Any:
        if id(value) in self.names:
            return {"shared": self.names[id(value)]}
        if isinstance(value, np.ndarray):
            return self.array(value)
        if is_dataclass(value) and type(value).__name__ in _TYPES:
            inner = {f.name: self.tree(getattr(value, f.name)) for f in fields(value)}
            return {"record": type(value).__name__, "fields": inner}
        if isinstance(value, Mapping):
            return {"map": [[self.tree(k), self.tree(v)] for k, v in value.items()]}
        if isinstance(value, tuple):
            return {"tuple": [self.tree(item) for item in value]}
        if isinstance(value, list):
            return [self.tree(item) for item in value]
        return self.plain(value)

    def plain(self, value: Any) -> Any:
        value = value.item() if isinstance(value, np.generic) else value
        if isinstance(value, float) and not math.isfinite(value):
            return {"float": str(value)}
        if value is None or isinstance(value, bool | int | float | str):
            return value
        raise TypeError(f"a record holds a {type(value).__name__}, which has no stored form")

    def array(self, value: NDArray[Any]) -> dict[str, Any]:
        if value.dtype.hasobject:
            raise TypeError("a record holds an array of objects, which has no stored form")
        kind = value.dtype.str
        at = self.filled.get(kind, 0)
        self.arrays.setdefault(kind, []).append(value.ravel())
        self.filled[kind] = at + value.size
        return {"array": kind, "at": at, "shape": list(value.shape)}


def write(record: Any, stream: BinaryIO, shared: Mapping[str, Any] | None = None) -> None:
    """Write a record as npz. Values that *are* one of `shared` are stored by name only.

    The same record gives the same bytes.
    """
    encoder = _Encoder(shared or {})
    text = json.dumps(encoder.tree(record), separators=(",", ":"), allow_nan=False)
    members: dict[str, NDArray[Any]] = {TREE: np.frombuffer(text.encode(), np.uint8)}
    for kind in sorted(encoder.arrays):
        members[kind] = np.concatenate(encoder.arrays[kind])
    np.savez(stream, allow_pickle=False, **members)


def read(stream: BinaryIO, shared: Mapping[str, Any] | None = None) -> Any:
    """The record that `write` stored; DataError where the bytes aren't one."""
    try:
        with np.load(stream, allow_pickle=False) as stored:
            members = {name: stored[name] for name in stored.files}
        return _decode(json.loads(members[TREE].tobytes()), members, shared or {})
    except (ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile) as error:
        raise DataError(f"a stored record can't be read back ({error}): delete the job's work folder") from error


def dumps(record: Any, shared: Mapping[str, Any] | None = None) -> bytes:
    """`write` to bytes."""
    stream = io.BytesIO()
    write(record, stream, shared)
    return stream.getvalue()


def loads(data: bytes, shared: Mapping[str, Any] | None = None) -> Any:
    """`read` from bytes."""
    return read(io.BytesIO(data), shared)


def _decode(node: Any, arrays: Mapping[str, NDArray[Any]], shared: Mapping[str, Any]) -> Any:
    def inner(child: Any) -> Any:
        return _decode(child, arrays, shared)

    if isinstance(node, list):
        return [inner(item) for item in node]
    if not isinstance(node, dict):
        return node
    if "array" in node:
        size = math.prod(node["shape"])
        return arrays[node["array"]][node["at"] : node["at"] + size].reshape(node["shape"])
    if "record" in node:
        return _TYPES[node["record"]](**{name: inner(child) for name, child in node["fields"].items()})
    if "map" in node:
        return {inner(key): inner(child) for key, child in node["map"]}
    if "tuple" in node:
        return tuple(inner(item) for item in node["tuple"])
    return shared[node["shared"]] if "shared" in node else _ODD_FLOATS[node["float"]]
