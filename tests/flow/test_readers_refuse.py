"""Scans that are damaged, empty or don't go together: one line that says what is wrong."""

from pathlib import Path

import numpy as np
import pytest
import scan_files as files
from readers_case import read
from scan_files import CLOUD, MESH_POINTS, NORMALS, TRIANGLES

from barerail.errors import DataError, UsageError
from barerail.store import readers


def damaged(path: Path, kind: str) -> tuple[Path, str]:
    """A faulty file and the words that must come back."""
    if kind == "cut cloud":
        files.ply(path, CLOUD).write_bytes(path.read_bytes()[:-40_000])
        return path, "cut short: its header promises 10500 of 'vertex', the file holds 7166"
    if kind == "cut mesh":
        files.ply(path, MESH_POINTS, triangles=TRIANGLES).write_bytes(path.read_bytes()[:-1])
        return path, "cut short: its header promises 10998 of 'face', the file holds 10997"
    if kind == "huge count":
        path.write_bytes(files.ply(path).read_bytes().replace(b"vertex 10500", b"vertex 10000000000000000"))
        return path, "cut short: its header promises 10000000000000000 of 'vertex'"
    if kind == "huge text count":
        path.write_bytes(files.ply(path, form="ascii").read_bytes().replace(b"vertex 10500", b"vertex 999999999999"))
        return path, "cut short: its header promises at least"
    if kind == "no header end":
        path.write_bytes(b"ply\nformat ascii 1.0\n")
        return path, "its header has no end"
    if kind == "no ply":
        path.write_bytes(b"hello")
        return path, "no PLY file, whatever its name says"
    if kind == "words in text":
        path.write_bytes(files.ply(path, form="ascii").read_bytes() + b"over and out")
        return path, "words stand where only numbers should"
    if kind == "wild face":
        return files.ply(path, MESH_POINTS, triangles=TRIANGLES + 9), "a face uses a vertex that the file doesn't hold"
    path.write_bytes(files.ply(path).read_bytes().replace(b"float z", b"float q"))
    return path, "its vertices have no plain x, y and z"


@pytest.mark.parametrize("kind", ["cut cloud", "cut mesh", "huge count", "huge text count", "no header end", "no ply",
                                  "words in text", "wild face", "no z"])  # fmt: skip
def test_damaged_ply_says_what_is_wrong(tmp_path, kind):
    path, words = damaged(tmp_path / "a.ply", kind)
    with pytest.raises(DataError, match=words):
        read(path)


def test_cut_stl_obj_and_text(tmp_path):
    binary = files.stl(tmp_path / "a.stl")
    binary.write_bytes(binary.read_bytes()[:-60])
    plain = files.stl_text(tmp_path / "b.stl")
    plain.write_text(plain.read_text()[:-60])
    obj = files.obj(tmp_path / "c.obj")
    obj.write_text(obj.read_text()[:-30])
    pts = files.text(tmp_path / "d.pts", head=f"{len(CLOUD) + 1}\n")
    row = files.text(tmp_path / "e.xyz")
    row.write_text(row.read_text() + "12.0 13.0\n")
    for path, words in [(binary, "promises 10998 triangles, the file holds 10996"), (plain, "cut short"),
                        (obj, "cut short"), (pts, "promises 10501 points, the file holds 10500"),
                        (row, "near line 10501: a row without three coordinates")]:  # fmt: skip
        with pytest.raises(DataError, match=words):
            read(path)


def test_prose_is_no_scan(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("Bring 3 stands, and the frame.\n" * 50)
    with pytest.raises(DataError, match=r"notes.txt is no scan: it holds no row of three coordinates"):
        read(path)


def test_missing_folder_ending_empty_few_flat_and_too_many(tmp_path):
    empty = tmp_path / "empty.ply"
    empty.touch()
    flat = CLOUD * [1, 1, 0] @ np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    odd = tmp_path / "scan.blend"
    odd.write_text("x")
    half = CLOUD.copy()
    half[:6000] = np.nan
    for path, kind, words in [
        (tmp_path / "none.ply", UsageError, "no such file: .*none.ply"),
        (tmp_path, UsageError, "is a folder, not a scan file"),
        (odd, UsageError, r"'.blend' isn't read: export it as one of .ply .stl .obj"),
        (empty, DataError, "empty.ply is empty"),
        (files.ply(tmp_path / "few.ply", CLOUD[:9999]), DataError, "holds 9999 points: .* at least 10000"),
        (files.ply(tmp_path / "flat.ply", flat), DataError, "all points lie in one plane"),
        (files.ply(tmp_path / "nan.ply", half), DataError, "6000 of 10500 points have no finite coordinates"),
    ]:
        with pytest.raises(kind, match=words):
            read(path)


def test_several_scans_are_one_with_a_source_each(tmp_path):
    one = files.ply(tmp_path / "one.ply", CLOUD, normals=NORMALS, comment="unit: mm")
    two = files.ply(tmp_path / "two.ply", MESH_POINTS / 1000, normals=MESH_POINTS, comment="unit: m")
    both = readers.read([one, two])
    assert [s.rows for s in both.sources] == [(0, 10_500), (10_500, 21_500)]
    assert [s.mm_per_unit for s in both.sources] == [1.0, 1000.0] and both.unit == "mm"
    assert np.array_equal(both.points[:10_500], readers.read([one]).points)
    assert np.allclose(both.points[10_500:], MESH_POINTS, rtol=0, atol=1e-3) and both.normals.shape == (21_500, 3)


def test_several_scans_that_can_not_go_together_say_why(tmp_path):
    one, twin = files.ply(tmp_path / "one.ply"), files.ply(tmp_path / "twin.ply")
    (tmp_path / "other").mkdir()
    namesake = files.ply(tmp_path / "other" / "one.ply", MESH_POINTS)
    speck = files.ply(tmp_path / "speck.ply", CLOUD[:3000] / 1000)
    bare = files.ply(tmp_path / "bare.ply", MESH_POINTS)
    with pytest.raises(DataError, match=r"twin.ply is the same scan as one.ply: leave one out"):
        readers.read([one, twin], "mm")
    with pytest.raises(UsageError, match=r"two scans are called one.ply: rename one"):
        readers.read([one, namesake], "mm")
    with pytest.raises(DataError, match=r"speck.ply: read as mm the scan is 0.00\d* m long, smaller than 0.02 m"):
        readers.read([one, speck], "mm")
    with pytest.raises(DataError, match=r"few.ply holds 1000 points: a scan to join takes at least 2000"):
        readers.read([one, files.ply(tmp_path / "few.ply", CLOUD[:1000])], "mm")
    mixed = readers.read([files.ply(tmp_path / "normals.ply", normals=NORMALS), bare], "mm")
    assert mixed.normals is None
    assert any(n.text == "normals left out of all scans, since bare.ply has none" and n.warning for n in mixed.notes)
    assert any(n.text == "bare.ply: unit taken to be that of one.ply, mm" for n in readers.read([one, bare]).notes)
