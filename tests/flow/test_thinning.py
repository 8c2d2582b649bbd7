"""A scan thinned as it is read: measured points only, one a cell, the same whatever the order, and told everywhere."""

import json
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import scan_files as files
from format_files import e57_file, laz_file
from scan_files import CLOUD, NORMALS
from scipy.spatial import cKDTree
from stand_ins import Stages, quick
from typer.testing import CliRunner

from barerail.cli import app
from barerail.errors import DataError, UsageError
from barerail.store import memory, readers, text, thinning
from barerail.store.raw import Raw

RNG = np.random.default_rng(31)
SHEET = np.column_stack([RNG.uniform(-1000, 1000, 40_000), RNG.uniform(-300, 300, 40_000), RNG.normal(0, 5, 40_000)])
MM = 10.0


@pytest.fixture(autouse=True)
def few_are_enough(monkeypatch) -> None:
    monkeypatch.setattr(readers, "FEWEST_POINTS", 100)


def thin(path: Path, unit: str = "mm", mm: float = MM, scale: float = 1.0):
    return readers.read([path], unit, scale, mm)


def ply(path: Path, points=SHEET, **more) -> Path:
    return files.ply(path, points, kind="double", **more)


class Rows(NamedTuple):
    """A part of a scan."""

    points: np.ndarray
    normals: None = None


def is_thinned(scan, points=SHEET, mm: float = MM) -> None:
    """Each kept point was measured, and none was left out that hasn't a kept one within the size of a cell."""
    assert len(points) / 20 < len(scan.points) < len(points) / 1.5
    assert set(map(tuple, scan.points)) <= set(map(tuple, points))
    assert cKDTree(scan.points).query(points)[0].max() <= np.sqrt(3) * mm


def test_a_measured_point_is_kept_in_each_cell(tmp_path):
    is_thinned(thin(ply(tmp_path / "a.ply")))


@pytest.mark.parametrize("name", ["a.ply", "a.xyz", "text.ply"])
def test_what_is_kept_depends_neither_on_the_order_nor_on_the_blocks(tmp_path, monkeypatch, name):
    def scan(points, folder: str):
        (tmp_path / folder).mkdir()
        path = tmp_path / folder / name
        if name == "a.xyz":
            return thin(files.text(path, points))
        return thin(ply(path, points, form="ascii" if name == "text.ply" else "binary_big_endian"))

    whole = scan(SHEET, "whole")
    monkeypatch.setattr(thinning, "_PENDING", 700)
    monkeypatch.setattr(readers.ply, "_BLOCK", 500)
    monkeypatch.setattr(text, "_LINES", 500)
    for folder, order in (("blocks", slice(None)), ("shuffled", RNG.permutation(len(SHEET)))):
        found = scan(SHEET[order], folder)
        assert found.points.tobytes() == whole.points.tobytes()
    is_thinned(whole)


def test_both_sides_of_a_sheet_stay_where_normals_tell_them_apart(tmp_path):
    up = np.where(np.arange(len(SHEET)) % 2 == 0, 1.0, -1.0)
    normals = np.column_stack([0 * up, 0 * up, up])
    path = ply(tmp_path / "a.ply", SHEET, normals=normals)
    scan = thin(path)
    for side in (1, -1):
        mine = scan.normals[:, 2] == side
        assert cKDTree(scan.points[mine]).query(SHEET[up == side])[0].max() <= np.sqrt(3) * MM
    assert set(map(tuple, scan.points[scan.normals[:, 2] == 1])) <= set(map(tuple, SHEET[up == 1]))


def test_a_mesh_becomes_a_cloud_of_its_corners_with_the_normals_of_all_its_triangles(tmp_path):
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(0, 1500, 151), np.linspace(0, 800, 81), indexing="ij"))
    points = np.column_stack([x, y, 60 * np.sin(x / 200)])
    at = np.arange(151 * 81).reshape(151, 81)[:-1, :-1].ravel()
    triangles = np.concatenate([np.column_stack([at, at + 81, at + 82]), np.column_stack([at, at + 82, at + 1])])
    path = ply(tmp_path / "a.ply", points, triangles=triangles)
    whole, scan = readers.read([path], "mm"), thin(path, mm=25.0)
    assert scan.triangles is None and any("the triangles of this mesh left out" in note.text for note in scan.notes)
    is_thinned(scan, points, 25.0)
    row = {tuple(point): i for i, point in enumerate(points)}
    same = whole.normals[[row[tuple(point)] for point in scan.points]]
    np.testing.assert_allclose(scan.normals, same, rtol=0, atol=3e-7)


@pytest.mark.parametrize("tilt", [0.0, 0.1])
def test_noise_stays_what_it_was_and_the_surface_where_it_was(tilt):
    rng = np.random.default_rng(5)
    at, noise = rng.uniform(0, 400, (400_000, 2)), rng.normal(0, 0.1, 400_000)
    points = np.column_stack([at, 0.1 + tilt * at[:, 0] + noise])
    kept = thinning.thinned([Raw(points)], lambda unit: 2.0, 1e12, 2.0, Path("a")).raw.points
    off = kept[:, 2] - 0.1 - tilt * kept[:, 0]
    assert len(kept) < len(points) / 5
    assert abs(off.mean()) < 0.005 and 0.098 < off.std() < 0.108


def test_the_size_is_in_mm_whatever_the_unit_and_scale(tmp_path):
    metres = e57_file(tmp_path / "a.e57")
    whole = readers.read([metres]).points
    is_thinned(thin(metres, "auto", 90.0), whole, 90.0)
    doubled = thin(ply(tmp_path / "a.ply"), scale=1.5, mm=1.5 * MM)
    np.testing.assert_allclose(doubled.points, 1.5 * thin(ply(tmp_path / "b.ply")).points, rtol=1e-12, atol=0)
    with pytest.raises(UsageError, match=r"a.ply states no unit, and --thin counts in mm: say the unit with --unit"):
        thin(tmp_path / "a.ply", "auto")


def test_each_of_several_scans_is_thinned_in_the_unit_it_states(tmp_path):
    first = ply(tmp_path / "a.ply", SHEET, comment="unit: mm")
    second = ply(tmp_path / "b.ply", SHEET / 1000, comment="unit: m")
    scan = readers.read([first, second], "auto", 1.0, MM)
    for path, source in zip((first, second), scan.sources):
        is_thinned(Rows(scan.points[slice(*source.rows)]), readers.read([path]).points)


def test_packed_las_and_archives_are_thinned_too(tmp_path):
    whole = readers.read([laz_file(tmp_path / "a.laz", NORMALS)], "mm")
    found = thin(tmp_path / "a.laz", mm=100.0)
    assert set(map(tuple, found.points)) < set(map(tuple, whole.points)) and found.normals is not None


def test_points_that_are_not_finite_are_dropped_and_counted(tmp_path):
    points = SHEET.copy()
    points[::100] = np.nan
    scan = thin(ply(tmp_path / "a.ply", points))
    is_thinned(scan, points[np.isfinite(points[:, 0])])
    assert [note.count for note in scan.notes if "not finite" in note.text] == [400]


def test_cells_too_small_for_their_number_are_refused(tmp_path):
    points = SHEET.copy()
    points[0], points[1], points[2] = [1e11, 0, 0], [0, 1e11, 0], [0, 0, 1e11]
    with pytest.raises(DataError, match=r"a.ply is too wide for cells of that size: give --thin more"):
        thin(ply(tmp_path / "a.ply", points))


def test_a_scan_that_does_not_fit_is_offered_thinning_and_then_read(tmp_path, monkeypatch):
    path = ply(tmp_path / "a.ply")
    each = memory.POINT_BYTES + memory.MAKING_BYTES + memory.SURFACE_BYTES
    monkeypatch.setattr(memory, "available", lambda: 22_000 * each)
    with pytest.raises(DataError, match=r"holds 40000 points, .* are free: say --thin MM, such as --thin 2, to keep"):
        readers.read([path], "mm")
    is_thinned(thin(path))
    with pytest.raises(DataError, match=r"thinned still holds \d+ points, .*: give --thin more than 0.01, or use"):
        thin(path, mm=0.01)


def test_the_refusal_comes_from_the_header_before_a_point_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "available", lambda: 10**6)
    read = []
    monkeypatch.setattr(readers.ply.plybody, "vertices", lambda *given: read.append(given))
    with pytest.raises(DataError, match="holds 40000 points"):
        readers.read([ply(tmp_path / "a.ply")], "mm")
    assert read == []


def test_a_run_says_it_keeps_it_in_the_job_and_remembers_it(tmp_path, monkeypatch):
    stages = Stages(monkeypatch)
    _, settings = quick(tmp_path)
    scan, job = ply(tmp_path / "frame.ply"), tmp_path / "job"
    words = ["run", scan, "--job", job, "--unit", "mm", "--thin", "10"]
    first = CliRunner().invoke(app, [*map(str, words), "--settings", str(settings)])
    assert first.exit_code == 0, first.output
    kept = len(thin(scan).points)
    told = f"frame.ply was thinned: {kept} of 40000 points kept, a measured one in each cell of 10 mm; every U follows"
    assert told in first.stderr
    record = json.loads((job / "job.json").read_text())
    assert any(text.startswith(told) for text in record["stages"]["read"]["warnings"])
    assert record["settings"]["read"]["thin_mm"] == 10 and record["stages"]["read"]["counts"]["points"] == kept
    stages.done.clear()
    CliRunner().invoke(app, ["run", str(scan), "--job", str(job)])
    assert stages.done == []
    CliRunner().invoke(app, ["run", str(scan), "--job", str(job), "--thin", "0"])
    assert json.loads((job / "job.json").read_text())["stages"]["read"]["counts"]["points"] == 40_000


def test_a_scan_thinned_too_far_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(readers, "FEWEST_POINTS", 10_000)
    with pytest.raises(DataError, match=r"a.ply keeps \d+ points under --thin 20: a chassis .* 10000; thin it less"):
        thin(ply(tmp_path / "a.ply"), mm=20.0)


def test_clouds_that_fit_are_read_as_they_were(tmp_path):
    assert np.array_equal(readers.read([ply(tmp_path / "a.ply", CLOUD)], "mm").points, CLOUD)
