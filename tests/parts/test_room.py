"""Is there room: gaps to a wall that are known by hand, parts from STL and STEP, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from parts_case import CAR_FROM_SCAN, datum

from barerail.asked import RoomSettings
from barerail.errors import DataError, UsageError
from barerail.geometry.frames import invert, transform
from barerail.outputs.room import room_files
from barerail.records import CleanScan, NoiseModel, Scan, Shape, Source
from barerail.stages.room import room
from barerail.store.shapes import shape

STEP = 2.0
SIGMA = 0.1
NOISE = NoiseModel(SIGMA, 0.0, 10.0, 0.0, 0.0)
EXACT = datum(covariance=np.zeros((6, 6)))
FACES = np.array([(0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1), (2, 3, 7), (2, 7, 6), (0, 2, 6),
                  (0, 6, 4), (1, 5, 7), (1, 7, 3)])  # fmt: skip
CUBE = np.array([(x, y, z) for x in (0, 1) for y in (0, 1) for z in (0, 1)], float) * 40


def scanned(points: np.ndarray, normals: np.ndarray, seed: int = 1) -> CleanScan:
    """Points of car axes with noise along their normals, each its own cell."""
    noisy = points + normals * np.random.default_rng(seed).normal(scale=SIGMA, size=(len(points), 1))
    back = invert(CAR_FROM_SCAN)
    at, turned = transform(back, noisy), normals @ back[:3, :3].T
    scan = Scan(at, turned.astype(np.float32), None, "mm", 1.0, False, (Source("s", "0", 1, (0, len(at)), np.eye(4)),))
    rows = np.arange(len(at))
    return CleanScan(scan, at, turned, True, np.zeros(len(at)), np.zeros(len(at), np.uint8), rows,
                     np.arange(len(at) + 1), 3.0, STEP, SIGMA, None)  # fmt: skip


def wall(seed: int = 1) -> CleanScan:
    """A wall at x = 300 that faces rearward, 300 mm square, points drawn evenly."""
    yz = np.random.default_rng(seed).uniform(0, 300, (int((300 / STEP) ** 2), 2))
    points = np.column_stack([np.full(len(yz), 300.0), yz])
    return scanned(points, np.tile((-1.0, 0, 0), (len(points), 1)), seed)


def cube(at, clean: CleanScan | None = None, car=EXACT, noise=NOISE, shaped=None, **asked):
    part = shaped or Shape("cube", CUBE, FACES, 0.0)
    return room(clean or wall(), car, noise, part, RoomSettings(at=at, **asked))


def test_gap_of_a_cube_to_a_wall_by_hand():
    found = cube((250.0, 130.0, 130.0))
    assert found.spots[0].gap_mm == pytest.approx(10.0, abs=found.spots[0].U_mm) and len(found.spots) == 1
    # a corner first: turned 45 degrees about z its edge stands 40 sqrt 2 ahead of its origin's edge
    turned = cube((240.0, 130.0, 130.0), turn=(0.0, 0.0, -45.0)).spots[0]
    assert turned.gap_mm == pytest.approx(60 - 40 * np.sqrt(2), abs=turned.U_mm) and turned.U_mm < 0.4
    assert turned.on_part[0] == pytest.approx(240 + 40 * np.sqrt(2), abs=0.01)


def test_what_a_fused_mesh_is_off_by_is_in_u():
    """A wall that stands proud by 1.1 voxels, as 95 % of the places beside 75 parts in simulated fused meshes stand at
    most (tests/speed/room.py --fuse --scenes 3 --seed 20): U holds that of a mesh, and a cloud's doesn't."""
    proud = 1.1 * STEP
    clean = wall()
    mesh = replace(clean, scan=replace(clean.scan, triangles=np.array([[0, 1, 2]])))
    cloud, fused = (cube((250.0 + proud, 130.0, 130.0), c) for c in (clean, mesh))
    off = abs(fused.spots[0].gap_mm - 10.0)
    assert fused.spots[0].gap_mm == cloud.spots[0].gap_mm
    assert cloud.spots[0].U_mm < 0.5 * off and off < fused.spots[0].U_mm < 2 * off
    assert any("thin sheet and tabs stand proud" in n.text for n in fused.notes) and not cloud.notes


def test_noise_of_single_points_is_not_taken_for_the_surface():
    corner = [cube((240.0, 130.0, 130.0), wall(seed), turn=(0.0, 0.0, -45.0)).spots[0] for seed in range(2, 14)]
    off = np.array([s.gap_mm - (60 - 40 * np.sqrt(2)) for s in corner])
    # the nearest of some twenty single points along the edge would lie two standard deviations near
    assert abs(off.mean()) < SIGMA and off.std() < SIGMA
    assert np.mean(np.abs(off) <= [s.U_mm for s in corner]) >= 0.75


def test_a_part_that_goes_in_is_told_with_a_gap_below_zero():
    found = cube((265.0, 130.0, 130.0), gap_mm=2.0)
    assert found.spots[0].gap_mm == pytest.approx(-5.0, abs=0.5)
    assert any("goes into the chassis" in n.text for n in found.notes)


def test_each_place_under_the_gap_is_told():
    at = transform(CAR_FROM_SCAN, wall().thin)
    at = at[(at[:, 1] < 100) | (at[:, 1] > 200)]  # a wall with a gap in its middle
    found = cube((245.0, 20.0, 130.0), scanned(at, np.tile((-1.0, 0, 0), (len(at), 1))), shaped=_two(), gap_mm=20.0)
    assert len(found.spots) == 2
    assert [int(s.on_scan[1] > 150) for s in found.spots] in ([0, 1], [1, 0])
    written = room_files(found, "x", "two", EXACT, RoomSettings(at=(245.0, 20.0, 130.0), gap_mm=20.0)).files
    assert "2 places under the gap of 20 mm" in written["export/room-x.txt"].decode()


def _two() -> Shape:
    """Two cubes 200 mm apart as one part."""
    return Shape("two", np.vstack([CUBE, CUBE + np.array([0, 200, 0])]), np.vstack([FACES, FACES + 8]), 0.0)


def test_datum_and_drift_count_along_the_gap():
    car = datum(covariance=np.diag([0.25, 9.0, 9.0, 0, 0, 0]))
    spot = cube((250.0, 130.0, 130.0), car=car).spots[0]
    plain = cube((250.0, 130.0, 130.0)).spots[0]
    assert spot.U_mm**2 - plain.U_mm**2 == pytest.approx(4 * 0.25, rel=0.05)
    drifting = NoiseModel(SIGMA, 0.0, 10.0, 0.3, 0.0)
    assert cube((250.0, 130.0, 130.0), noise=drifting).spots[0].U_mm ** 2 - plain.U_mm**2 == pytest.approx(
        0.36, rel=0.05
    )


def test_an_open_part_is_said(tmp_path):
    found = cube((250.0, 130.0, 130.0), shaped=Shape("open", CUBE, FACES[:-1], 0.0))
    assert any("not closed" in n.text for n in found.notes)


def test_parts_are_read_from_stl_in_its_unit_and_from_step(tmp_path):
    block = np.zeros(len(FACES), [("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")])
    block["c"] = CUBE[FACES]
    (tmp_path / "cube.stl").write_bytes(b"cube".ljust(80) + len(FACES).to_bytes(4, "little") + block.tobytes())
    read = shape(tmp_path / "cube.stl", "in")
    assert len(read.vertices) == 8 and np.ptp(read.vertices, axis=0) == pytest.approx([40 * 25.4] * 3, rel=1e-6)
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    writer = STEPControl_Writer()
    writer.Transfer(BRepPrimAPI_MakeCylinder(25.0, 60.0).Solid(), STEPControl_AsIs)
    writer.Write(str(tmp_path / "rod.step"))
    rod = shape(tmp_path / "rod.step")
    assert np.ptp(rod.vertices, axis=0) == pytest.approx((50, 50, 60), abs=2 * rod.off_mm)
    # lying along y beside the wall: 250 + 25 to its middle, its skin 25 mm nearer
    spot = cube((250.0, 200.0, 150.0), shaped=rod, turn=(90.0, 0.0, 0.0)).spots[0]
    assert spot.gap_mm == pytest.approx(25.0, abs=spot.U_mm)
    assert not any("not closed" in n.text for n in cube((250.0, 200.0, 150.0), shaped=rod).notes)


def test_what_is_no_part_is_refused(tmp_path):
    (tmp_path / "bad.step").write_text("nothing of the kind")
    (tmp_path / "bad.stl").write_bytes(b"short")
    (tmp_path / "part.obj").write_text("")
    for name, error in (
        ("bad.step", UsageError),
        ("bad.stl", DataError),
        ("part.obj", UsageError),
        ("no.stl", UsageError),
    ):
        with pytest.raises(error) as told:
            shape(tmp_path / name)
        assert name in str(told.value) and "\n" not in str(told.value)
    with pytest.raises(UsageError, match="STEP states its own unit"):
        shape(tmp_path / "bad.step", "in")
