"""Files that lie about themselves are refused before anything is allocated, opened or unpacked."""

import gzip
import struct
from pathlib import Path

import mutated
import pytest
import scan_files as files
from format_files import glb, gltf_tree, las_file, pcd_file, zipped

from barerail.errors import DataError
from barerail.store import memory, readers


def read(path: Path):
    return readers.read([path])


HOSTILE = {
    "bomb.ply.gz": "unpacks to more than .* times its size",
    "bomb.zip": "unpacks to more than .* times its size",
    "out.zip": r"holds a file that would lie outside it \('../a.ply'\)",
    "two.zip": r"holds 2 scans \(a.ply, b.stl\): it should hold one",
    "none.zip": "holds no scan: it should hold one",
    "text.zip": "is damaged, or no archive",
    "text.ply.gz": "is damaged: it can't be unpacked",
    "many.glb": "cut short: its header promises 4000000000 rows in accessor 0, the file holds 3|takes about .* GB",
    "loop.glb": "its node 0 hangs in two places",
    "draco.glb": r"compressed \(KHR_draco_mesh_compression\), which isn't read",
    "away.glb": "only files beside it are opened",
    "web.glb": "only files beside it are opened",
    "deep.gltf": "its description can't be read|none of glTF",
    "loop.3mf": "hold each other without end",
    "entity.3mf": "declares types of its own",
    "bare.3mf": "builds nothing",
    "huge.pcd": "cut short: its header promises 99999999999 points",
    "text.pcd": "no PCD file, or cut short",
    "huge.las": "cut short: its header promises 4000000000 points, the file holds 10500",
    "text.e57": "no E57 file, whatever its name says",
}


def las_of_too_many(path: Path) -> Path:
    data = bytearray(las_file(path).read_bytes())
    struct.pack_into("<I", data, 107, 4_000_000_000)
    path.write_bytes(data)
    return path


def model(path: Path, text: str) -> Path:
    return zipped(path, **{"3D/3dmodel.model": text.encode()})


LOOP = (
    '<model><resources><object id="3"><components><component objectid="3"/></components></object></resources>'
    '<build><item objectid="3"/></build></model>'
)
MAKERS = {
    "bomb.ply.gz": lambda path: path.write_bytes(gzip.compress(bytes(1 << 26))),
    "bomb.zip": lambda path: zipped(path, **{"a.ply": bytes(1 << 26)}),
    "out.zip": lambda path: zipped(path, **{"../a.ply": b"ply"}),
    "two.zip": lambda path: zipped(path, **{"a.ply": b"ply", "b.stl": b"solid"}),
    "none.zip": lambda path: zipped(path, **{"a.md": b"x"}),
    "many.glb": lambda path: glb(path, gltf_tree(accessor={"count": 4_000_000_000}), bytes(36)),
    "loop.glb": lambda path: glb(path, gltf_tree(nodes=[{"mesh": 0, "children": [0]}]), bytes(36)),
    "draco.glb": lambda path: glb(path, gltf_tree(extensionsRequired=["KHR_draco_mesh_compression"]), bytes(36)),
    "away.glb": lambda path: glb(path, gltf_tree(buffers=[{"byteLength": 36, "uri": "../a.bin"}])),
    "web.glb": lambda path: glb(path, gltf_tree(buffers=[{"byteLength": 36, "uri": "http://a.example/b"}])),
    "deep.gltf": lambda path: path.write_bytes(b'{"asset":' + b"[" * 200_000 + b"]" * 200_000 + b"}"),
    "loop.3mf": lambda path: model(path, LOOP),
    "entity.3mf": lambda path: model(path, '<!DOCTYPE a [<!ENTITY b "c">]><model>&b;</model>'),
    "bare.3mf": lambda path: model(path, "<model><build/></model>"),
    "huge.pcd": lambda path: pcd_file(path, promised=99_999_999_999),
    "huge.las": las_of_too_many,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_are_refused_by_what_is_wrong(tmp_path, name):
    path = tmp_path / name
    MAKERS.get(name, lambda path: path.write_bytes(b"only words, no scan at all\n" * 40))(path)
    with pytest.raises(DataError, match=HOSTILE[name]):
        read(path)


def test_a_scan_that_does_not_fit_is_refused_with_the_figure(tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "available", lambda: 10**6)
    with pytest.raises(DataError, match=r"holds 10500 points, which takes about 0.0 GB of memory, and 0.0 GB are free"):
        read(files.ply(tmp_path / "a.ply"))


def test_points_without_normals_need_more_memory(monkeypatch):
    """As measured: 1.2 GB more at 1 million points, 3.2 GB at 8 million of the same surface."""
    monkeypatch.setattr(memory, "available", lambda: 1_300_000_000)
    memory.check(Path("a.ply"), 1_000_000)
    with pytest.raises(DataError, match=r"holds 1000000 points, which takes about 1.7 GB of memory"):
        memory.check(Path("a.ply"), 1_000_000, normals=False)


def test_damaged_files_of_every_format_are_read_or_refused(tmp_path):
    """A short share of tests/speed/fuzz.py."""
    pytest.importorskip("laspy")
    pytest.importorskip("pye57")
    (tmp_path / "bad").mkdir()
    made = mutated.samples(tmp_path)
    told = [mutated.one(made[seed % len(made)], seed, tmp_path / "bad") for seed in range(320)]
    assert set(told) == {"read", "refused"}
