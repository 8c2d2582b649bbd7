"""The mesh in car axes as glTF 2.0 binary (GLB) and Wavefront OBJ, each saying its unit and axes as far as it can."""

import io
import json
import struct
from typing import Any

import numpy as np

from barerail.errors import DataError
from barerail.geometry.frames import check_proper, direction, transform
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.mesh import CHUNK, FLOAT32_REACH_MM
from barerail.records import Array, Datum, Scan

M_PER_MM = 0.001
GLTF_FROM = {
    "iso8855": np.array([(0.0, 1, 0), (0, 0, 1), (1, 0, 0)]),
    "iso4130": np.array([(0.0, -1, 0), (0, 0, 1), (-1, 0, 0)]),
    "j670": np.array([(0.0, -1, 0), (0, 0, -1), (1, 0, 0)]),
}
"""glTF 2.0, 3.4: metres, +Y up, +Z forward, -X right. Both are turns, det +1."""
FLOAT, UNSIGNED_INT = 5126, 5125
ARRAY_BUFFER, ELEMENT_ARRAY_BUFFER = 34962, 34963


def chassis_glb(scan: Scan, datum: Datum) -> bytes:
    """The mesh as GLB: metres, Y up, Z forward, as glTF 2.0 wants it; header in asset.extras. DataError for a cloud.

    Vertices farther than 8 m off stand about the node's translation, so that float32 holds 0.001 mm.
    """
    corners = _triangles(scan, "GLB").astype("<u4")
    turn = GLTF_FROM[datum.axes]
    places = transform(check_proper(datum.car_from_scan), scan.points) @ turn.T
    shift = np.round((places.min(0) + places.max(0)) / 2) if np.abs(places).max() >= FLOAT32_REACH_MM else np.zeros(3)
    arrays = [((places - shift) * M_PER_MM).astype("<f4"), corners.reshape(-1)]
    if scan.normals is not None:
        normal = direction(datum.car_from_scan, scan.normals) @ turn.T
        length = np.linalg.norm(normal, axis=1, keepdims=True)
        arrays.insert(1, np.where(length > 0, normal / np.maximum(length, 1e-12), (0.0, 0, 1)).astype("<f4"))
    document = _document(arrays, shift * M_PER_MM, datum)
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    data = b"".join(a.tobytes() for a in arrays)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(data), b"BIN\0") + data
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def chassis_obj(scan: Scan, datum: Datum) -> bytes:
    """The mesh as OBJ text in the datum's axes, mm at 0.0001; unit, axes, datum in its comments. DataError: cloud."""
    triangles = _triangles(scan, "OBJ")
    places = transform(check_proper(datum.car_from_scan), scan.points)
    out = io.BytesIO()
    out.write("".join(f"# {line}\n" for line in header_lines("scan in car axes", datum)).encode() + b"o chassis\n")
    _rows(out, "v %.4f %.4f %.4f\n", places)
    if scan.normals is None:
        _rows(out, "f %d %d %d\n", triangles + 1)
    else:
        _rows(out, "vn %.5f %.5f %.5f\n", direction(datum.car_from_scan, scan.normals))
        _rows(out, "f %d//%d %d//%d %d//%d\n", np.repeat(triangles + 1, 2, axis=1))
    return out.getvalue()


def _triangles(scan: Scan, form: str) -> Any:
    if scan.triangles is None:
        raise DataError(f"{form} holds triangles and this scan is a point cloud: use chassis.ply")
    return np.asarray(scan.triangles)


def _rows(out: io.BytesIO, form: str, values: Any) -> None:
    for i in range(0, len(values), CHUNK):
        block = values[i : i + CHUNK]
        out.write((form * len(block) % tuple(block.ravel().tolist())).encode("ascii"))


def _document(arrays: list[Any], shift: Array, datum: Datum) -> dict[str, Any]:
    """The glTF JSON of one mesh: positions, normals where there are three arrays, and indices last."""
    starts = np.concatenate([[0], np.cumsum([a.nbytes for a in arrays])]).tolist()
    names = ("POSITION", "NORMAL")[: len(arrays) - 1]
    views = [
        {"buffer": 0, "byteOffset": s, "byteLength": a.nbytes, "target": ARRAY_BUFFER} for s, a in zip(starts, arrays)
    ]
    views[-1]["target"] = ELEMENT_ARRAY_BUFFER
    accessors = [_accessor(i, a) for i, a in enumerate(arrays)]
    primitive = {"attributes": {n: i for i, n in enumerate(names)}, "indices": len(names), "mode": 4}
    node = {"name": "chassis", "mesh": 0} | ({"translation": shift.tolist()} if np.any(shift) else {})
    fields = dict(header_fields("scan in car axes", datum))
    axes = f"Y up, Z forward, X left (glTF 2.0); from the car's {fields['axes']}"
    return {
        "asset": {"version": "2.0", "generator": fields["tool"], "extras": fields | {"unit": "m", "axes": axes}},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [node],
        "meshes": [{"name": "chassis", "primitives": [primitive]}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": starts[-1]}],
    }


def _accessor(view: int, values: Any) -> dict[str, Any]:
    kind, component = ("VEC3", FLOAT) if values.ndim == 2 else ("SCALAR", UNSIGNED_INT)
    accessor = {"bufferView": view, "componentType": component, "count": len(values), "type": kind}
    bounds = {"min": values.min(0).tolist(), "max": values.max(0).tolist()} if view == 0 else {}
    return accessor | bounds
