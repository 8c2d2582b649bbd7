"""Small scans in every format that is read, written here byte by byte."""

import struct
from pathlib import Path

import numpy as np

RNG = np.random.default_rng(20)
MESH_POINTS = RNG.uniform((-2000, -400, -100), (2000, 400, 100), (11_000, 3)).astype(np.float32).astype(float)
MESH_POINTS[0, 0] = -0.0
TRIANGLES = np.column_stack([np.arange(10_998), np.arange(1, 10_999), np.arange(2, 11_000)])
CLOUD = MESH_POINTS[:10_500]
NORMALS = CLOUD / np.linalg.norm(CLOUD, axis=1, keepdims=True)


def ply(
    path: Path,
    points=CLOUD,
    form="binary_little_endian",
    kind="float",
    normals=None,
    triangles=None,
    extra=False,
    comment="",
) -> Path:
    """PLY of any kind; `extra` puts a colour before the coordinates, an edge list before and flags behind the faces."""
    order = {"binary_little_endian": "<", "binary_big_endian": ">", "ascii": "="}[form]
    number = order + {"float": "f4", "double": "f8"}[kind]
    fields = [("red", "u1")] * extra + [(axis, number) for axis in "xyz"]
    fields += [(f"n{axis}", number) for axis in "xyz"] if normals is not None else []
    head = ["ply", f"format {form} 1.0", *([f"comment {comment}"] if comment else [])]
    head += ["element edge 2", "property int vertex1", "property float weight"] * extra
    names = {"u1": "uchar", number: kind}
    head += [f"element vertex {len(points)}", *(f"property {names[t]} {name}" for name, t in fields)]
    rows = np.zeros(len(points), fields)
    for i, axis in enumerate("xyz"):
        rows[axis] = points[:, i]
        if normals is not None:
            rows[f"n{axis}"] = normals[:, i]
    edges = np.zeros(2, [("a", f"{order}i4"), ("b", f"{order}f4")]) if extra else np.zeros(0)
    faces = np.zeros(0)
    if triangles is not None:
        head += [f"element face {len(triangles)}", "property list uchar int vertex_indices"]
        head += ["property uchar flags"] * extra
        faces = np.zeros(len(triangles), [("n", "u1"), ("v", f"{order}i4", 3)] + [("flags", "u1")] * extra)
        faces["n"], faces["v"] = 3, triangles
    header = "\n".join([*head, "end_header", ""]).encode()
    body = b"".join(_text(part) if form == "ascii" else part.tobytes() for part in (edges, rows, faces))
    path.write_bytes(header + body)
    return path


def _text(rows: np.ndarray) -> bytes:
    def words(value) -> str:
        return " ".join(map(words, value)) if np.ndim(value) or isinstance(value, np.void) else repr(value.item())

    return "".join(f"{words(row)}\n" for row in rows).encode()


def stl(path: Path, points=MESH_POINTS, triangles=TRIANGLES, header=b"") -> Path:
    facets = np.zeros(len(triangles), [("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    facets["v"] = points[triangles]
    path.write_bytes(header.ljust(80) + struct.pack("<I", len(triangles)) + facets.tobytes())
    return path


def stl_text(path: Path, points=MESH_POINTS, triangles=TRIANGLES) -> Path:
    facets = [
        "facet normal 0 0 0\n outer loop\n"
        + "".join(f"  vertex {x!r} {y!r} {z!r}\n" for x, y, z in points[corner].tolist())
        + " endloop\nendfacet\n"
        for corner in triangles
    ]
    path.write_text(f"solid frame\n{''.join(facets)}endsolid frame\n")
    return path


def obj(path: Path, points=MESH_POINTS, faces=(), head="") -> Path:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
    path.write_text("\n".join([head, *lines, *faces, ""]))
    return path


def text(path: Path, points=CLOUD, separator=" ", head="", tail="", comma=False) -> Path:
    body = "\n".join(separator.join(map(repr, row)) + tail for row in points.tolist())
    path.write_text(head + (body.replace(".", ",") if comma else body) + "\n")
    return path
