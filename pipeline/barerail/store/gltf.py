"""glTF 2.0, as .glb and .gltf: the triangles and points of its scene with every node's place, in metres.

The project's own reader: it checks each count against the bytes that are there, and opens nothing but buffers that lie
beside the file.
"""

import base64
import binascii
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from barerail.errors import DataError
from barerail.records import Array
from barerail.store.raw import Raw, joined, moved, one_mesh, truncated

_TYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}
_POINTS, _TRIANGLES, _STRIP, _FAN = 0, 4, 5, 6
_PACKED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression")
_JSON, _BIN = 0x4E4F534A, 0x004E4942
_UP = "by its format y is up: where the chassis stood upright, give --above 0,100,0"


@dataclass
class _File:
    path: Path
    tree: dict[str, Any]
    binary: bytes | memoryview

    def entry(self, kind: str, index: Any) -> dict[str, Any]:
        entries = self.tree.get(kind, [])
        if not isinstance(index, int) or not 0 <= index < len(entries) or not isinstance(entries[index], dict):
            raise self.damaged(f"it refers to number {index} of its {kind}, which isn't there")
        return dict(entries[index])

    def damaged(self, why: str) -> DataError:
        return DataError(f"{self.path.name} is damaged: {why}: export it again")


@dataclass
class _Piece:
    """One primitive at one place: its positions, normals and indices (or None), mode and the node's matrix."""

    positions: int
    normals: int | None
    indices: int | None
    mode: int
    matrix: Array


def read(path: Path) -> Raw:
    """Mesh of a glTF file, or its points where it has no triangles; lines are left out."""
    file = _open(path)
    try:
        used = set(file.tree.get("extensionsRequired", []))
        if packed := used.intersection(_PACKED):
            raise DataError(
                f"{path.name}: its mesh is compressed ({packed.pop()}), which isn't read: export it without"
            )
        pieces = _pieces(file)
        meshes = [p for p in pieces if p.mode in (_TRIANGLES, _STRIP, _FAN)]
        clouds = [p for p in pieces if p.mode == _POINTS]
        if not meshes and not clouds:
            raise DataError(f"{path.name} holds no triangles and no points in its scene: it is no scan")
        raw = one_mesh([_mesh(file, p) for p in meshes], path) if meshes else _cloud(file, clouds)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
        raise file.damaged(f"its description is none of glTF ({str(error)[:80]})") from error
    raw.unit, raw.remarks = "m", (*raw.remarks, _UP)
    return raw


def _open(path: Path) -> _File:
    data = path.read_bytes()
    try:
        if data[:4] != b"glTF":
            return _File(path, _tree(data, path), b"")
        version, length = (int.from_bytes(data[at : at + 4], "little") for at in (4, 8))
        if version != 2:
            raise DataError(f"{path.name} is glTF of version {version}: export it as 2.0")
        if length > len(data):
            raise truncated(path, f"{length} bytes", f"{len(data)}")
        chunks = _chunks(memoryview(data)[:length], path)
        return _File(path, _tree(bytes(chunks.get(_JSON, b"")), path), chunks.get(_BIN, b""))
    except (ValueError, RecursionError) as error:
        raise DataError(
            f"{path.name} is no glTF file, or damaged: its description can't be read: export it again"
        ) from error


def _tree(text: bytes, path: Path) -> dict[str, Any]:
    tree = json.loads(text)
    if not isinstance(tree, dict) or "asset" not in tree:
        raise DataError(f"{path.name} is no glTF file, whatever its name says: it describes no asset")
    return tree


def _chunks(data: memoryview, path: Path) -> dict[int, memoryview]:
    found: dict[int, memoryview] = {}
    at = 12
    while at + 8 <= len(data):
        length, kind = (int.from_bytes(data[i : i + 4], "little") for i in (at, at + 4))
        if at + 8 + length > len(data):
            raise truncated(path, f"{length} bytes in a chunk", f"{len(data) - at - 8}")
        found.setdefault(kind, data[at + 8 : at + 8 + length])
        at += 8 + length
    return found


def _pieces(file: _File) -> list[_Piece]:
    """Every primitive of the scene; a node may hang in one place only, so that loops end."""
    scenes = file.tree.get("scenes") or [{"nodes": range(len(file.tree.get("nodes", [])))}]
    scene = scenes[int(file.tree.get("scene", 0))]
    rest = [(index, np.eye(4)) for index in reversed(list(scene.get("nodes", [])))]
    seen: set[int] = set()
    pieces: list[_Piece] = []
    while rest:
        index, above = rest.pop()
        if index in seen:
            raise file.damaged(f"its node {index} hangs in two places")
        seen.add(index)
        node = file.entry("nodes", index)
        matrix = above @ _matrix(node)
        if "mesh" in node:
            for part in file.entry("meshes", node["mesh"])["primitives"]:
                at, along = (part["attributes"].get(name) for name in ("POSITION", "NORMAL"))
                if at is not None:
                    mode = int(part.get("mode", _TRIANGLES))
                    pieces.append(_Piece(at, along, part.get("indices"), mode, matrix))
        rest += [(child, matrix) for child in reversed(node.get("children", []))]
    return pieces


def _matrix(node: dict[str, Any]) -> Array:
    """4x4 of a node: given by columns, or as scale, turn (x, y, z, w) and shift, in this order."""
    if "matrix" in node:
        return np.array(node["matrix"], float).reshape(4, 4).T
    matrix = np.eye(4)
    turn = Rotation.from_quat(np.array(node.get("rotation", (0, 0, 0, 1)), float)).as_matrix()
    matrix[:3, :3] = turn * np.array(node.get("scale", (1, 1, 1)), float)
    matrix[:3, 3] = np.array(node.get("translation", (0, 0, 0)), float)
    return matrix


def _mesh(file: _File, piece: _Piece) -> tuple[Array, NDArray[np.int64]]:
    points = _positions(file, piece)
    if piece.indices is None:
        index = np.arange(len(points))
    else:
        index = _accessor(file, piece.indices, 1)[:, 0].astype(np.int64)
    index = index[: len(index) // 3 * 3] if piece.mode == _TRIANGLES else index
    if piece.mode == _STRIP:
        triangles = np.column_stack([index[:-2], index[1:-1], index[2:]])
        triangles[1::2] = triangles[1::2, [1, 0, 2]]
    elif piece.mode == _FAN:
        triangles = np.column_stack([np.full(max(len(index) - 2, 0), index[0]), index[1:-1], index[2:]])
    else:
        triangles = index.reshape(-1, 3)
    mirrored = np.linalg.det(piece.matrix[:3, :3]) < 0
    return points, triangles[:, ::-1] if mirrored else triangles


def _cloud(file: _File, pieces: list[_Piece]) -> Raw:
    return joined(Raw(_positions(file, piece), _normals(file, piece)) for piece in pieces)


def _normals(file: _File, piece: _Piece) -> NDArray[np.float32] | None:
    """Normals (n, 3), turned as the node's matrix turns planes: by its inverse transposed, but for their length."""
    if piece.normals is None:
        return None
    if file.entry("accessors", piece.normals)["count"] != file.entry("accessors", piece.positions)["count"]:
        raise file.damaged("it has not as many normals as points")
    x, y, z = piece.matrix[:3, :3]
    cofactors = np.array([np.cross(y, z), np.cross(z, x), np.cross(x, y)])
    with np.errstate(over="ignore", invalid="ignore"):
        along = _accessor(file, piece.normals, 3).astype(np.float64) @ cofactors.T
        return (along * np.sign(np.linalg.det(piece.matrix[:3, :3]))).astype(np.float32)


def _positions(file: _File, piece: _Piece) -> Array:
    # What is no finite number is dropped later on, with a count.
    with np.errstate(over="ignore", invalid="ignore"):
        return moved(_accessor(file, piece.positions, 3).astype(np.float64), piece.matrix)


def _accessor(file: _File, index: int, width: int) -> NDArray[Any]:
    """Rows (n, width) of an accessor, over the buffer's own bytes; integers that stand for -1 to 1 made so."""
    about = file.entry("accessors", index)
    if "sparse" in about or "bufferView" not in about:
        raise DataError(
            f"{file.path.name} stores its points by differences (sparse), which isn't read: export it without"
        )
    view = file.entry("bufferViews", about["bufferView"])
    kind, count = np.dtype(_TYPES[about["componentType"]]), int(about["count"])
    row = kind.itemsize * width
    step = int(view.get("byteStride", row))
    start, end = int(view.get("byteOffset", 0)), int(view.get("byteOffset", 0)) + int(view["byteLength"])
    at = start + int(about.get("byteOffset", 0))
    data = _buffer(file, view["buffer"])
    if _WIDTH[about["type"]] != width or count < 1 or step < row or not 0 <= start <= at:
        raise file.damaged(f"its accessor {index} has a size that none can have")
    if at + step * (count - 1) + row > min(end, len(data)):
        raise truncated(file.path, f"{count} rows in accessor {index}", f"{max(min(end, len(data)) - at, 0) // step}")
    rows: NDArray[Any] = np.ndarray((count, width), kind, data, at, (step, kind.itemsize))
    return rows / np.iinfo(kind).max if about.get("normalized") and kind.kind in "iu" else rows


def _buffer(file: _File, index: int) -> bytes | memoryview:
    uri = file.entry("buffers", index).get("uri")
    if uri is None:
        return file.binary
    if uri.startswith("data:"):
        try:
            return base64.b64decode(uri.partition("base64,")[2], validate=True)
        except binascii.Error as error:
            raise file.damaged("a buffer in it is no base64") from error
    if not uri or "/" in uri or "\\" in uri or ":" in uri or uri in (".", ".."):
        raise DataError(f"{file.path.name} refers to {uri[:80]!r}: only files beside it are opened: export it as .glb")
    beside = file.path.with_name(uri)
    if not beside.is_file():
        raise DataError(f"{file.path.name} needs {uri[:80]}, which isn't beside it: copy both, or export it as .glb")
    return beside.read_bytes()
