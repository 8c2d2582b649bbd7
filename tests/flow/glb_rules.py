"""Rules of the glTF 2.0.1 specification (Khronos, 2021) for the parts that a plain mesh uses, each by its section."""

import json
import struct
from collections.abc import Iterator
from typing import Any

import numpy as np

COMPONENT = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}
TOPOLOGY = {0: 1, 1: 2, 4: 3}


def faults(data: bytes) -> list[str]:
    """What a GLB breaks of the rules, each led by its section; empty for none."""
    broken, chunks = list(_container(data)), _chunks(data)
    if broken:
        return broken
    text, binary = chunks[0][1], chunks[1][1] if len(chunks) > 1 else b""
    if text.startswith(b"\xef\xbb\xbf"):
        return ["2.7 byte-order mark"]
    document = json.loads(text.decode("utf-8"), object_pairs_hook=_unique)
    # In an order in which each may rely on what those before it found in order.
    for rules in (_asset, _references, _scenes, _buffers, _accessors, _meshes):
        if broken := list(rules(document, binary)):
            return broken
    return []


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    assert len({key for key, _ in pairs}) == len(pairs), "2.7 a key stands twice"
    return dict(pairs)


def _chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    found, at = [], 12
    while at + 8 <= len(data):
        size, kind = struct.unpack("<I4s", data[at : at + 8])
        found.append((kind, data[at + 8 : at + 8 + size]))
        at += 8 + size
    return found


def _container(data: bytes) -> Iterator[str]:
    if data[:8] != struct.pack("<4sI", b"glTF", 2):
        yield "4.4.2 magic or version"
    if struct.unpack("<I", data[8:12])[0] != len(data):
        yield "4.4.2 length is not that of the file"
    chunks = _chunks(data)
    if [kind for kind, _ in chunks] not in ([b"JSON"], [b"JSON", b"BIN\0"]):
        yield "4.4.3 chunks are not JSON, then BIN"
    if any(len(content) % 4 for _, content in chunks):
        yield "4.4.3.1 a chunk does not end on four bytes"
    ends = 12
    while ends + 8 <= len(data):
        ends += 8 + struct.unpack("<I", data[ends : ends + 4])[0]
    if ends != len(data):
        yield "4.4.3.1 chunks do not fill the file"
    if chunks and not chunks[0][1].rstrip(b" ").endswith(b"}"):
        yield "4.4.3.2 JSON is padded with other than blanks"


def _asset(document: dict, binary: bytes) -> Iterator[str]:
    if document.get("asset", {}).get("version") != "2.0":
        yield "3.2 no asset of version 2.0"


def _references(document: dict, binary: bytes) -> Iterator[str]:
    """3.3: indices are whole numbers from 0 and point at what is there."""
    known = {key: len(value) for key, value in document.items() if isinstance(value, list)}
    told = [("scenes", document.get("scene", 0))]
    told += [("nodes", n) for s in document.get("scenes", []) for n in s.get("nodes", [])]
    told += [("nodes", c) for n in document.get("nodes", []) for c in n.get("children", [])]
    told += [("meshes", n["mesh"]) for n in document.get("nodes", []) if "mesh" in n]
    told += [("buffers", v["buffer"]) for v in document.get("bufferViews", [])]
    told += [("bufferViews", a["bufferView"]) for a in document.get("accessors", []) if "bufferView" in a]
    for p in _primitives(document):
        told += [("accessors", i) for i in [*p["attributes"].values(), *([p["indices"]] if "indices" in p else [])]]
    yield from (f"3.3 {w} {i!r} is not there" for w, i in told if type(i) is not int or not 0 <= i < known.get(w, 0))


def _scenes(document: dict, binary: bytes) -> Iterator[str]:
    children = [c for n in document.get("nodes", []) for c in n.get("children", [])]
    if set(children) & {n for s in document.get("scenes", []) for n in s.get("nodes", [])}:
        yield "3.5.1 a scene lists a node that is no root"
    if len(children) != len(set(children)):
        yield "3.5.2 a node has two parents"
    for n in document.get("nodes", []):
        if "matrix" in n and {"translation", "rotation", "scale"} & set(n):
            yield "3.5.3 a matrix beside its parts"
        if any(len(n.get(key, three)) != 3 for key, three in (("translation", [0] * 3), ("scale", [1] * 3))):
            yield "3.5.3 a translation or scale is no 3D vector"


def _buffers(document: dict, binary: bytes) -> Iterator[str]:
    buffers, views = document.get("buffers", []), document.get("bufferViews", [])
    if buffers and "uri" in buffers[0]:
        yield "3.6.1.2 the buffer of the BIN chunk has a uri"
    if buffers and not 0 <= len(binary) - buffers[0]["byteLength"] <= 3:
        yield "3.6.1.2 BIN is not as long as its buffer"
    for v in views:
        if v.get("byteOffset", 0) + v["byteLength"] > buffers[v["buffer"]]["byteLength"] or v["byteLength"] < 1:
            yield "3.6.1.1 a view reaches past its buffer"
    primitives = _primitives(document)
    accessors = document.get("accessors", [])
    corners = {accessors[p["indices"]]["bufferView"] for p in primitives if "indices" in p}
    places = {accessors[i]["bufferView"] for p in primitives for i in p["attributes"].values()}
    if corners & places:
        yield "3.6.1.1 a view is both of indices and of attributes"
    if any(views[v].get("target", 34963) != 34963 or "byteStride" in views[v] for v in corners):
        yield "3.6.1.1 the view of indices has another target, or a stride"
    if any(views[v].get("target", 34962) != 34962 for v in places):
        yield "3.6.1.1 the view of attributes has another target"


def _values(document: dict, binary: bytes, index: int) -> np.ndarray:
    """An accessor's values (count, components), tightly packed as 3.6.2.4 has them without a stride."""
    a = document["accessors"][index]
    view = document["bufferViews"][a["bufferView"]]
    kind, wide = np.dtype(COMPONENT[a["componentType"]]), WIDTH[a["type"]]
    start = view.get("byteOffset", 0) + a.get("byteOffset", 0)
    return np.frombuffer(binary, kind, a["count"] * wide, start).reshape(-1, wide)


def _accessors(document: dict, binary: bytes) -> Iterator[str]:
    for i, a in enumerate(document.get("accessors", [])):
        if a["componentType"] not in COMPONENT or a["type"] not in WIDTH or a["count"] < 1:
            yield f"3.6.2.2 accessor {i} has a type or count that is none"
            continue
        view = document["bufferViews"][a["bufferView"]]
        size = np.dtype(COMPONENT[a["componentType"]]).itemsize
        offset = a.get("byteOffset", 0)
        if offset % size or (offset + view.get("byteOffset", 0)) % size:
            yield f"3.6.2.4 accessor {i} is not aligned"
            continue
        if offset + a["count"] * size * WIDTH[a["type"]] > view["byteLength"]:
            yield f"3.6.2.4 accessor {i} reaches past its view"
            continue
        values = _values(document, binary, i)
        if values.dtype.kind == "f" and not np.isfinite(values).all():
            yield f"3.6.2.2 accessor {i} holds what is no number"
        for key, actual in (("min", values.min(axis=0)), ("max", values.max(axis=0))):
            if key in a and (len(a[key]) != WIDTH[a["type"]] or np.any(np.array(a[key], values.dtype) != actual)):
                yield f"3.6.2.5 {key} of accessor {i} is another than its values'"


def _primitives(document: dict) -> list[dict]:
    return [p for m in document.get("meshes", []) for p in m["primitives"]]


def _meshes(document: dict, binary: bytes) -> Iterator[str]:
    for p in _primitives(document):
        accessors = {name: document["accessors"][i] for name, i in p["attributes"].items()}
        for name in {"POSITION", "NORMAL"} & set(accessors):
            if (accessors[name]["type"], accessors[name]["componentType"]) != ("VEC3", 5126):
                yield f"3.7.2.1 {name} is no VEC3 of floats"
        if not {"min", "max"} <= set(accessors.get("POSITION", {})):
            yield "3.7.2.1 POSITION has no min and max"
        if len({a["count"] for a in accessors.values()}) != 1:
            yield "3.7.2.1 attributes differ in count"
        if "NORMAL" in p["attributes"]:
            length = np.linalg.norm(_values(document, binary, p["attributes"]["NORMAL"]), axis=1)
            if np.abs(length - 1).max() > 1e-5:
                yield "3.7.2.1 a normal is not of length 1"
        yield from _corners(document, binary, p, min(a["count"] for a in accessors.values()))


def _corners(document: dict, binary: bytes, p: dict, places: int) -> Iterator[str]:
    if "indices" not in p:
        return
    a = document["accessors"][p["indices"]]
    if a["type"] != "SCALAR" or a["componentType"] not in (5121, 5123, 5125):
        yield "3.7.2.1 indices are no whole numbers without sign"
        return
    values = _values(document, binary, p["indices"])
    if values.max() >= places:
        yield "3.7.2.1 an index is past the attributes"
    if values.max() == np.iinfo(values.dtype).max:
        yield "3.7.2.1 an index restarts the primitive"
    if len(values) % TOPOLOGY.get(p.get("mode", 4), 1):
        yield "3.7.2.1 the count of indices is none of the topology's"
