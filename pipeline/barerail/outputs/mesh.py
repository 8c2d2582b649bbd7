"""The scan in car axes: PLY for clouds and meshes, STL for meshes. Binary, little endian, mm."""

import io
import struct
from collections.abc import Iterator

import numpy as np

from barerail.errors import DataError
from barerail.geometry.frames import check_proper, direction, transform
from barerail.outputs.header import header_lines
from barerail.outputs.words import axes_words, stamp
from barerail.records import Array, Datum, Scan

CHUNK = 1 << 18
"""Rows turned at a time, so that a big scan is never held twice in double."""
FLOAT32_REACH_MM = 8192.0
"""float32 holds coordinates up to here to 0.0003 mm."""


def chassis_ply(scan: Scan, datum: Datum) -> bytes:
    """The scan at full resolution in the datum's axes, with normals and triangles where it has them.

    Coordinates are float, or double where a point lies farther than 8 m from the origin and 0.001 mm would get lost.
    The comments say unit, axes and datum, in ASCII.
    """
    car_from_scan = check_proper(datum.car_from_scan)
    vertex = _vertex_type(scan, car_from_scan)
    out = io.BytesIO()
    out.write(_ply_header(scan, datum, vertex))
    for rows in _chunks(len(scan.points)):
        block = np.empty(rows.stop - rows.start, vertex)
        block["position"] = transform(car_from_scan, scan.points[rows])
        if scan.normals is not None:
            block["normal"] = direction(car_from_scan, scan.normals[rows])
        out.write(block.view(np.uint8).data)
    _write_triangles(out, scan)
    return out.getvalue()


def chassis_stl(scan: Scan, datum: Datum) -> bytes:
    """The mesh as STL (float32) in the datum's axes. DataError for a cloud, which has no triangles."""
    if scan.triangles is None:
        raise DataError("STL holds triangles and this scan is a point cloud: use chassis.ply")
    corners = transform(check_proper(datum.car_from_scan), scan.points).astype("<f4")
    out = io.BytesIO()
    out.write(_stl_header(datum) + struct.pack("<I", len(scan.triangles)))
    for rows in _chunks(len(scan.triangles)):
        block = np.zeros(rows.stop - rows.start, [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("flags", "<u2")])
        block["corners"] = corners[scan.triangles[rows]]
        block["normal"] = _unit_normals(block["corners"])
        out.write(block.view(np.uint8).data)
    return out.getvalue()


def _chunks(count: int) -> Iterator[slice]:
    return (slice(i, min(i + CHUNK, count)) for i in range(0, count, CHUNK))


def _vertex_type(scan: Scan, car_from_scan: Array) -> np.dtype:
    """One packed row of the PLY: position, and normal where the scan has them."""
    corners = [scan.points.min(0), scan.points.max(0)] if len(scan.points) else [np.zeros(3)]
    box = np.array(np.meshgrid(*np.transpose(corners))).reshape(3, -1).T
    near = np.abs(transform(car_from_scan, box)).max() < FLOAT32_REACH_MM
    normal = [("normal", "<f4", 3)] if scan.normals is not None else []
    return np.dtype([("position", "<f4" if near else "<f8", 3), *normal])


def _ply_header(scan: Scan, datum: Datum, vertex: np.dtype) -> bytes:
    """PLY 1.0 header; comments in ASCII, since its readers expect nothing else."""
    number = "float" if vertex["position"].base == np.dtype("<f4") else "double"
    properties = [f"property {number} {axis}" for axis in "xyz"]
    properties += [f"property float n{axis}" for axis in "xyz"] if scan.normals is not None else []
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        *(f"comment {line}" for line in header_lines("scan in car axes", datum)),
        f"element vertex {len(scan.points)}",
        *properties,
    ]
    if scan.triangles is not None:
        lines += [f"element face {len(scan.triangles)}", "property list uchar int vertex_indices"]
    return "\n".join([*lines, "end_header", ""]).encode("ascii", "backslashreplace")


def _write_triangles(out: io.BytesIO, scan: Scan) -> None:
    if scan.triangles is None:
        return
    for rows in _chunks(len(scan.triangles)):
        block = np.empty(rows.stop - rows.start, [("count", "u1"), ("corners", "<i4", 3)])
        block["count"], block["corners"] = 3, scan.triangles[rows]
        out.write(block.view(np.uint8).data)


def _stl_header(datum: Datum) -> bytes:
    """The 80 bytes; they don't start with `solid`, which would read as ASCII STL."""
    text = f"{'UNCONFIRMED ' if stamp(datum) else ''}barerail mm, {axes_words(datum)}"
    return text.encode("ascii", "replace")[:80].ljust(80)


def _unit_normals(corners: Array) -> Array:
    """Unit normals (t, 3) of triangles (t, 3, 3), counter-clockwise outside; zeros where a triangle has no area."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
