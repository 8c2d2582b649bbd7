"""chassis.glb against the published rules of glTF 2.0, and files with one rule broken, which the rules must notice."""

import copy
import json
import struct
from collections.abc import Callable

import numpy as np
import pytest
from glb_rules import faults
from outputs_case import datum, mesh_scan

from barerail.outputs.mesh_scene import chassis_glb
from barerail.outputs.view import FROM_ISO8855

Break = Callable[[dict, bytearray], None]


@pytest.mark.parametrize("normals", [True, False])
@pytest.mark.parametrize("far", [0, 20000])
@pytest.mark.parametrize("axes", ["iso8855", "iso4130", "j670"])
def test_the_mesh_breaks_no_rule(normals, far, axes):
    turn = np.diag([*np.diag(FROM_ISO8855[axes]), 1.0])
    car = datum(axes=axes, car_from_scan=turn @ datum().car_from_scan)
    assert faults(chassis_glb(mesh_scan(normals=normals, far=far), car)) == []


def whole(document: dict, binary: bytes) -> bytes:
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    body = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(binary), b"BIN\0") + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body


def parts() -> tuple[dict, bytearray]:
    data = chassis_glb(mesh_scan(normals=True), datum())
    size = struct.unpack("<I", data[12:16])[0]
    return json.loads(data[20 : 20 + size]), bytearray(data[28 + size :])


def put(key: str, at: int, name: str, value: object) -> Break:
    return lambda document, binary: document[key][at].__setitem__(name, value)


def word(offset: Callable[[dict], int], value: bytes) -> Break:
    def change(document: dict, binary: bytearray) -> None:
        at = offset(document)
        binary[at : at + 4] = value

    return change


def view(index: int) -> Callable[[dict], int]:
    return lambda document: document["bufferViews"][index]["byteOffset"]


BROKEN: list[tuple[str, Break]] = [
    ("3.2 ", lambda document, binary: document["asset"].__setitem__("version", "1.0")),
    ("3.3 ", lambda document, binary: document["scenes"][0].__setitem__("nodes", [7])),
    ("3.3 ", lambda document, binary: document["meshes"][0]["primitives"][0].__setitem__("indices", 9)),
    ("3.5.1 ", put("nodes", 0, "children", [0])),
    ("3.5.3 ", put("nodes", 0, "translation", [0.0, 1.0])),
    ("3.6.1.1 ", put("bufferViews", 0, "byteLength", 10**6)),
    ("3.6.1.1 ", put("bufferViews", 2, "target", 34962)),
    ("3.6.1.1 ", put("accessors", 2, "bufferView", 0)),
    ("3.6.1.2 ", put("buffers", 0, "byteLength", 8)),
    ("3.6.1.2 ", put("buffers", 0, "uri", "mesh.bin")),
    ("3.6.2.2 ", put("accessors", 0, "componentType", 5124)),
    ("3.6.2.2 ", word(lambda document: 0, struct.pack("<f", float("nan")))),
    ("3.6.2.4 ", put("accessors", 2, "byteOffset", 2)),
    ("3.6.2.4 ", put("accessors", 0, "count", 1000)),
    ("3.6.2.5 ", put("accessors", 0, "max", [9.0, 9.0, 9.0])),
    ("3.7.2.1 ", lambda document, binary: document["accessors"][0].pop("min")),
    ("3.7.2.1 ", put("accessors", 1, "count", 3)),
    ("3.7.2.1 ", word(view(1), struct.pack("<f", 4.0))),
    ("3.7.2.1 ", word(view(2), struct.pack("<I", 77))),
    ("3.7.2.1 ", put("accessors", 2, "count", 2)),
]


@pytest.mark.parametrize(("section", "spoil"), BROKEN)
def test_a_file_with_one_rule_broken_is_noticed(section, spoil):
    document, binary = parts()
    assert faults(whole(document, bytes(binary))) == []
    document = copy.deepcopy(document)
    spoil(document, binary)
    assert any(fault.startswith(section) for fault in faults(whole(document, bytes(binary))))


@pytest.mark.parametrize(
    ("section", "spoil"),
    [
        ("4.4.2 ", lambda data: data[:4] + struct.pack("<I", 1) + data[8:]),
        ("4.4.2 ", lambda data: data + b"\0\0\0\0"),
        ("4.4.3 ", lambda data: data[:16] + b"BIN\0" + data[20:]),
        ("4.4.3.1 ", lambda data: data[:-4]),
    ],
)
def test_a_container_with_one_rule_broken_is_noticed(section, spoil):
    data = chassis_glb(mesh_scan(normals=True), datum())
    assert any(fault.startswith(section) for fault in faults(spoil(data)))
