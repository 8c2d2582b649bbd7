"""Files of the further formats, and archives, written here byte by byte or by the library that a test names."""

import base64
import gzip
import json
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from scan_files import CLOUD, MESH_POINTS, NORMALS, TRIANGLES


def pcd_file(path: Path, points=CLOUD, head="", promised=None) -> Path:
    n = len(points) if promised is None else promised
    text = (
        f"# .PCD v0.7\nVERSION 0.7\n{head}FIELDS x y z rgb\nSIZE 8 8 8 4\nTYPE F F F U\nCOUNT 1 1 1 1\n"
        f"WIDTH {n}\nHEIGHT 1\nVIEWPOINT 0 0 5 1 0 0 0\nPOINTS {n}\nDATA binary\n"
    )
    rows = np.zeros(len(points), [("p", "<f8", 3), ("rgb", "<u4")])
    rows["p"] = points
    path.write_bytes(text.encode() + rows.tobytes())
    return path


def three_mf(
    path: Path, unit: str | None, build: str, extra: str = "", points=MESH_POINTS, triangles=TRIANGLES
) -> Path:
    points = "".join(f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in points.tolist())
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in triangles)
    stated = f' unit="{unit}"' if unit else ""
    text = (
        f'<?xml version="1.0"?>{extra}<model{stated} xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">'
        f'<resources><object id="1"><mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh></object>'
        '<object id="2"><components><component objectid="1" transform="0 1 0 -1 0 0 0 0 1 10 20 30"/></components>'
        f"</object></resources><build>{build}</build></model>"
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("3D/3dmodel.model", text)
    return path


def las_file(path: Path, points=CLOUD, key: int | None = None, wkt: str = "") -> Path:
    """LAS 1.2 or, with well-known text, 1.4, byte by byte (ASPRS LAS 1.4 R15), withheld points every tenth."""
    version, form, length = (4, 6, 30) if wkt else (2, 0, 20)
    size = {2: 227, 4: 375}[version]
    record = b""
    if key:
        keys = np.array([1, 1, 0, 1, 3076, 0, 1, key], "<u2").tobytes()
        record = struct.pack("<H16sHH32s", 0, b"LASF_Projection", 34735, len(keys), b"") + keys
    if wkt:
        record = struct.pack("<H16sHH32s", 0, b"LASF_Projection", 2112, len(wkt), b"") + wkt.encode()
    rows = np.zeros(len(points), [("x", "<i4", 3), ("rest", f"V{length - 12}")])
    rows["x"] = np.round((points - [1e6, 0, 0]) * 1000)
    body = rows.view(np.uint8).reshape(len(points), length).copy()
    body[::10, 15] = 4 if wkt else 128
    head = bytearray(size)
    head[:4], head[24], head[25] = b"LASF", 1, version
    struct.pack_into(
        "<HIIBHI", head, 94, size, size + len(record), bool(record), form, length, 0 if wkt else len(points)
    )
    struct.pack_into("<6d", head, 131, 1e-3, 1e-3, 1e-3, 1e6, 0, 0)
    if wkt:
        struct.pack_into("<H", head, 6, 16)
        struct.pack_into("<Q", head, 247, len(points))
    path.write_bytes(bytes(head) + record + body.tobytes())
    return path


def pack(plain: Path, form: str) -> Path:
    path = plain.with_name(f"{plain.name}.{form}")
    if form == "gz":
        path.write_bytes(gzip.compress(plain.read_bytes()))
    else:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
            out.writestr("__MACOSX/._a.ply", "x")
            out.writestr("readme.md", "mine")
            out.write(plain, "scans/a.ply")
    return path


def zipped(path: Path, **members: bytes) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, data in members.items():
            out.writestr(name, data)
    return path


def glb(path: Path, tree: dict, binary: bytes = b"") -> Path:
    text = json.dumps({"asset": {"version": "2.0"}} | tree).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<II", len(text), 0x4E4F534A) + text + struct.pack("<II", len(binary), 0x004E4942) + binary
    path.write_bytes(struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks)
    return path


def gltf_tree(**changes) -> dict:
    accessor = {"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"} | changes.pop("accessor", {})
    tree = {
        "scenes": [{"nodes": [0]}], "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}], "accessors": [accessor],
        "bufferViews": [{"buffer": 0, "byteLength": 36}], "buffers": [{"byteLength": 36}],
    }  # fmt: skip
    return tree | changes


def e57_file(path: Path) -> Path:
    pye57 = pytest.importorskip("pye57")
    file = pye57.E57(str(path), mode="w")
    for k, part in enumerate((CLOUD[:6000], CLOUD[6000:])):
        data = {f"cartesian{axis}": part[:, i] / 1000 for i, axis in enumerate("XYZ")}
        data["cartesianInvalidState"] = (np.arange(len(part)) % 40 == 0).astype(np.int8)
        file.write_scan_raw(data, rotation=np.array([0.5**0.5, 0, 0, 0.5**0.5]), translation=np.array([k, 0, 0.0]))
    file.close()
    return path


def e57_with_normals(path: Path, spherical=False, points=CLOUD, normals=NORMALS, posed=True) -> Path:
    """E57 by libe57 itself, with the surface normals extension: two scans, turned about z and shifted where posed."""
    pye57 = pytest.importorskip("pye57")
    lib, file = pye57.libe57, pye57.E57(str(path), mode="w")
    image = file.image_file
    image.extensionsAdd("nor", "http://www.libe57.org/E57_NOR_surface_normals.txt")
    for k, rows in enumerate((slice(0, 6000), slice(6000, None))):
        columns = dict(zip([f"nor:normal{axis}" for axis in "XYZ"], normals[rows].T))
        columns |= _spherical(points[rows] / 1000) if spherical else _cartesian(points[rows] / 1000)
        node, prototype, buffers = lib.StructureNode(image), lib.StructureNode(image), lib.VectorSourceDestBuffer()
        held = {name: np.ascontiguousarray(column) for name, column in columns.items()}
        for name, column in held.items():
            prototype.set(name, lib.FloatNode(image, 0.0, lib.E57_DOUBLE, -1e9, 1e9))
            buffers.append(lib.SourceDestBuffer(image, name, column, len(column), True, True))
        packed = lib.CompressedVectorNode(image, prototype, lib.VectorNode(image, True))
        node.set("guid", lib.StringNode(image, f"{{{k}}}"))
        if posed:
            node.set("pose", _pose(lib, image, k))
        node.set("points", packed)
        file.data3d.append(node)
        writer = packed.writer(buffers)
        writer.write(len(points[rows]))
        writer.close()
    file.close()
    return path


def _cartesian(points) -> dict:
    return dict(zip([f"cartesian{axis}" for axis in "XYZ"], points.T))


def _spherical(points) -> dict:
    x, y, z = points.T
    return {
        "sphericalRange": np.sqrt(x * x + y * y + z * z),
        "sphericalAzimuth": np.arctan2(y, x),
        "sphericalElevation": np.arctan2(z, np.hypot(x, y)),
    }


def _pose(lib, image, k: int):
    pose, turn, shift = (lib.StructureNode(image) for _ in range(3))
    for name, value in zip("wxyz", (0.5**0.5, 0, 0, 0.5**0.5)):
        turn.set(name, lib.FloatNode(image, value))
    for name, value in zip("xyz", (float(k), 0, 0)):
        shift.set(name, lib.FloatNode(image, value))
    pose.set("rotation", turn)
    pose.set("translation", shift)
    return pose


def laz_file(path: Path, normals=None, points=CLOUD) -> Path:
    """LAS 1.4 or, by its ending, LAZ, by laspy; normals as extra dimensions."""
    laspy = pytest.importorskip("laspy")
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [1e-3] * 3, [0, 0, 0]
    names = [f"Normal{axis}" for axis in "XYZ"] if normals is not None else []
    header.add_extra_dims([laspy.ExtraBytesParams(name, "float32") for name in names])
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = points.T
    for i, name in enumerate(names):
        cloud[name] = normals[:, i]
    cloud.write(str(path))
    return path


def glb_cloud(path: Path, points, normals, *nodes: dict) -> Path:
    """One cloud in metres hung at the end of a chain of nodes, as .glb or .gltf by its ending."""
    parts = [np.asarray(part, "<f4").tobytes() for part in (points, normals)]
    sizes, counts = [len(part) for part in parts], [len(points), len(normals)]
    hung = [node | {"children": [i + 1]} for i, node in enumerate(nodes)] + [{"mesh": 0}]
    kind = {"componentType": 5126, "type": "VEC3"}
    tree = gltf_tree(
        nodes=hung,
        meshes=[{"primitives": [{"attributes": {"POSITION": 0, "NORMAL": 1}, "mode": 0}]}],
        accessors=[kind | {"bufferView": i, "count": n} for i, n in enumerate(counts)],
        bufferViews=[{"buffer": 0, "byteOffset": i * sizes[0], "byteLength": n} for i, n in enumerate(sizes)],
        buffers=[{"byteLength": sum(sizes)}],
    )
    if path.suffix == ".glb":
        return glb(path, tree, b"".join(parts))
    data = base64.b64encode(b"".join(parts)).decode()
    tree["buffers"][0]["uri"] = f"data:application/octet-stream;base64,{data}"
    path.write_text(json.dumps({"asset": {"version": "2.0"}} | tree))
    return path
