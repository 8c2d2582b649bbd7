"""One cloud through every format that is read: the same points, normals and unit, to what the format can hold."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import scan_files as files
from format_files import e57_with_normals, glb_cloud, laz_file, pack, pcd_file, three_mf
from scan_files import CLOUD, NORMALS, TRIANGLES

from barerail.store import archive, readers
from barerail.store.raw import vertex_normals

POINTS = CLOUD * 1.000001 + [0.1, 0.01, 0.001]
"""More digits than float32 holds."""
FACES = TRIANGLES[: len(POINTS) - 2]
SIX = np.hstack([POINTS, NORMALS])
NAMED = "x,y,z,nx,ny,nz\n"
FLOAT = 2.0**-14
"""Half a step of float32 between 1024 and 2048, where the farthest coordinates are; of metres, in mm, 2^-24 x 1000."""
EXACT, IN_METRES, LAS_STEP = 0.0, 1000 * 2.0**-24 * 1.01, 0.5e-3 * 1.01
DOUBLE_METRES = 1e-9


@dataclass(frozen=True)
class Form:
    """How a format is written, by how many mm its coordinates may be off, and what it can carry."""

    write: Callable[[Path], Path]
    within: float
    unit: str | None = None
    normals: bool = True
    mesh: bool = False


FORMS = {
    "a.ply": Form(lambda p: files.ply(p, POINTS, kind="double", normals=NORMALS), EXACT),
    "big.ply": Form(lambda p: files.ply(p, POINTS, "binary_big_endian", normals=NORMALS), FLOAT),
    "text.ply": Form(lambda p: files.ply(p, POINTS, "ascii", "double", NORMALS), EXACT),
    "mesh.ply": Form(lambda p: files.ply(p, POINTS, kind="double", triangles=FACES), EXACT, mesh=True),
    "a.stl": Form(lambda p: files.stl(p, POINTS, FACES), FLOAT, mesh=True),
    "text.stl": Form(lambda p: files.stl_text(p, POINTS, FACES), EXACT, mesh=True),
    "a.obj": Form(lambda p: files.obj(p, POINTS, [f"f {a} {b} {c}" for a, b, c in FACES + 1]), EXACT, mesh=True),
    "cloud.obj": Form(lambda p: files.obj(p, POINTS), EXACT, normals=False),
    "a.3mf": Form(lambda p: three_mf(p, None, '<item objectid="1"/>', "", POINTS, FACES), EXACT, "mm", mesh=True),
    "a.glb": Form(lambda p: glb_cloud(p, POINTS / 1000, NORMALS), IN_METRES, "m"),
    "a.gltf": Form(lambda p: glb_cloud(p, POINTS / 1000, NORMALS), IN_METRES, "m"),
    "a.pcd": Form(lambda p: pcd_file(p, POINTS), EXACT, normals=False),
    "a.e57": Form(lambda p: e57_with_normals(p, False, POINTS, NORMALS, False), DOUBLE_METRES, "m"),
    "round.e57": Form(lambda p: e57_with_normals(p, True, POINTS, NORMALS, False), DOUBLE_METRES, "m"),
    "a.las": Form(lambda p: laz_file(p, NORMALS, POINTS), LAS_STEP),
    "a.laz": Form(lambda p: laz_file(p, NORMALS, POINTS), LAS_STEP),
    "a.xyz": Form(lambda p: files.text(p, SIX), EXACT),
    "a.pts": Form(lambda p: files.text(p, SIX, head=f"{len(SIX)}\n"), EXACT),
    "a.csv": Form(lambda p: files.text(p, SIX, ",", NAMED), EXACT),
    "a.txt": Form(lambda p: files.text(p, SIX, ";", comma=True), EXACT),
    "a.asc": Form(lambda p: files.text(p, SIX, "\t"), EXACT),
    "b.ply.gz": Form(lambda p: pack(files.ply(p.with_suffix(""), POINTS, kind="double", normals=NORMALS), "gz"), EXACT),
    "b.ply.zip": Form(
        lambda p: pack(files.ply(p.with_suffix(""), POINTS, kind="double", normals=NORMALS), "zip"), EXACT
    ),
}


def test_every_format_is_in_it():
    assert {Path(name).suffix for name in FORMS} == {*readers.READERS, *archive.ENDINGS}


@pytest.mark.parametrize("name", FORMS)
def test_a_cloud_comes_back(tmp_path, name):
    form = FORMS[name]
    scan = readers.read([form.write(tmp_path / name)], "auto" if form.unit else "mm")
    assert (scan.unit, scan.unit_assumed) == (form.unit or "mm", False)
    np.testing.assert_allclose(scan.points, POINTS, rtol=0, atol=form.within)
    assert form.within < 1e-6 or np.abs(scan.points - POINTS).max() > form.within / 10, "coarser than it is"
    if form.mesh:
        np.testing.assert_array_equal(scan.triangles, FACES)
        np.testing.assert_allclose(scan.normals, vertex_normals(scan.points, FACES), rtol=0, atol=1e-6)
    else:
        assert scan.triangles is None and (scan.normals is not None) == form.normals
        if form.normals:
            np.testing.assert_allclose(scan.normals, NORMALS, rtol=0, atol=2e-7)
