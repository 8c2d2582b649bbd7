"""Readers given anything: whatever the bytes they answer in words or with points, and what was written comes back."""

import tempfile
from pathlib import Path

import numpy as np
import pytest
import scan_files as files
from format_files import three_mf
from hypothesis import given, settings
from hypothesis import strategies as st

from barerail.errors import BarerailError, DataError
from barerail.store import readers

NUMBERS = st.floats(-1e6, 1e6, allow_subnormal=False)
ROWS = st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=4, max_size=40)
STARTS = (
    b"", b"ply\nformat ascii 1.0\nelement vertex 3\n", b"ply\nformat binary_little_endian 1.0\n", b"solid a\nfacet ",
    b"\0" * 80, b"v 1 2 3\nf 1 2 3\n", b"# .PCD v0.7\nVERSION 0.7\nFIELDS x y z\n", b"glTF\2\0\0\0", b"PK\3\4", b"LASF",
    b"1 2 3\n",
)  # fmt: skip
ENDINGS = (".ply", ".stl", ".obj", ".xyz", ".pts", ".csv", ".pcd", ".glb", ".gltf", ".3mf", ".las", ".e57")


@settings(max_examples=300, deadline=None)
@given(ending=st.sampled_from(ENDINGS), start=st.sampled_from(STARTS), rest=st.binary(max_size=300))
def test_any_bytes_give_points_or_one_line(ending, start, rest):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a{ending}"
        path.write_bytes(start + rest)
        try:
            assert len(readers.read([path], "mm").points)
        except BarerailError as error:
            assert "\n" not in str(error) and path.name in str(error)


@settings(max_examples=100, deadline=None)
@given(rows=ROWS, separator=st.sampled_from([" ", "\t", "; ", ", "]))
def test_numbers_written_as_text_come_back(rows, separator):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.xyz"
        path.write_text("\n".join(separator.join(map(repr, row)) for row in rows) + "\n", encoding="utf-8")
        np.testing.assert_allclose(readers.READERS[".xyz"](path).points, rows, rtol=1e-12, atol=1e-12)


@settings(max_examples=100, deadline=None)
@given(rows=ROWS, form=st.sampled_from(["ascii", "binary_little_endian", "binary_big_endian"]), extra=st.booleans())
def test_numbers_written_as_ply_come_back(rows, form, extra):
    with tempfile.TemporaryDirectory() as folder:
        path = files.ply(Path(folder) / "a.ply", np.array(rows), form, "double", extra=extra)
        np.testing.assert_allclose(readers.READERS[".ply"](path).points, rows, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(
    ("ending", "words"),
    [
        (".obj", r"a.obj is damaged: a face with no proper vertex numbers"),
        (".stl", r"a.stl is cut short: \d+ corners for \d+ whole triangles: copy it again"),
        (".3mf", r"a.3mf builds nothing: its list of items is empty: export it with the scan on the plate"),
    ],
)
def test_damaged_meshes_say_what_is_wrong_and_what_to_do(tmp_path, ending, words):
    path = tmp_path / f"a{ending}"
    if ending == ".obj":
        files.obj(path, faces=["f 1 2 0"])
    elif ending == ".stl":
        files.stl_text(path)
        path.write_text(path.read_text().replace("endfacet", "", 1))
    else:
        three_mf(path, "millimeter", "")
    with pytest.raises(DataError, match=words):
        readers.read([path], "mm")
