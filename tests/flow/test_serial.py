"""The series command: one bad scan fails alone, what is done stays done, and the result says what it rests on."""

import csv
import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from barerail import serial
from barerail.errors import DataError, UsageError
from barerail.outputs.page_series import series_html
from barerail.outputs.series import series_csv, series_words, suggested
from barerail.records import Car
from barerail.screen import Screen
from barerail.settings import SeriesSettings
from barerail.stages.series import series
from barerail.store.tables import cars


def spread():
    rng = np.random.default_rng(4)
    base = np.array([[0.0, 400, 0], [0, -400, 0]])
    some = []
    for i in range(8):
        at = base + [[0.3], [0.0]] * rng.normal(size=(2, 3)) + 0.05 * rng.normal(size=(2, 3))
        cov = np.tile(0.0025 * np.eye(3), (2, 1, 1))
        some.append(Car(f"car<{i}>", ("a-L", "a-R"), ("hole", "hole"), at, cov, np.full(2, 11.0), np.full(2, 0.05)))
    return series(some, SeriesSettings(lengths=(("a-L", "a-R"),)))


def test_table_words_and_page() -> None:
    s, asked = spread(), SeriesSettings()
    text = series_csv(s).decode()
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert [(r["what"], r["axis"], r["n"]) for r in rows[:3]] == [("a-L", axis, "8") for axis in "xyz"]
    assert rows[-1]["what"] == "a-L - a-R" and float(rows[-1]["own_U_mm"]) == pytest.approx(0.142, abs=0.01)
    words = series_words(s, asked, {"bad": "no rails were found"})
    parts = ("M10", "ISO 273", "a suggestion, not a rule", "bad failed: no rails were found", "a hole is no load path")
    for part in parts:
        assert part in words
    page = series_html(s, asked, {"bad": "x"}).decode()
    assert "car&lt;0&gt;" in page and "car<0>" not in page and "<script" not in page
    assert page.count("<svg viewBox") == 4 and series_html(s, asked, {"bad": "x"}).decode() == page


def test_what_takes_a_zone() -> None:
    """ISO 273 for M10: fine 10.5, medium 11, coarse 12; beyond that a slot as wide as the medium hole."""
    assert suggested("M10", 0.4) == (10.5, "fine", None)
    assert suggested("M10", 0.5) == (10.5, "fine", None)
    assert suggested("M10", 1.6) == (12.0, "coarse", None)
    assert suggested("M10", 3.2) == (11.0, "slot", 14.5)
    assert suggested("", 1.0) == (None, "", None)


def test_tasks_have_folders_of_their_own() -> None:
    scans = [Path("x/one.ply"), Path("a/scan.ply"), Path("b/scan.ply")]
    tasks = serial.tasks_of(scans, Path("jobs"), {"one.ply": ("7", "k")})
    assert [t.job.name for t in tasks] == ["one", "a-scan", "b-scan"]
    assert (tasks[0].car, tasks[0].operator) == ("7", "k")
    with pytest.raises(UsageError, match="share the job"):
        serial.tasks_of([Path("x/one.ply"), Path("y/one.ply")], Path("jobs"), {})


def test_a_table_of_repeated_scans() -> None:
    assert cars(b"scan,car,operator\na.ply,1,k\n", "w.csv") == {"a.ply": ("1", "k")}
    for data, fault in ((b"scan,car\na.ply,\n", "line 2 lacks"), (b"scan,car\na,1\na,2\n", "line 3: a stands")):
        with pytest.raises(UsageError, match=fault):
            cars(data, "w.csv")


STAND_IN = """
import json, os, pathlib, sys, time
scan, job = sys.argv[1], pathlib.Path(sys.argv[2])
if "bad" in scan: print("barerail: no rails were found", file=sys.stderr); sys.exit(3)
if "slow" in scan and not job.exists(): job.mkdir(); time.sleep(60)
job.mkdir(exist_ok=True)
(job / "points.json").write_text(json.dumps({"points": []}))
"""


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch):
    """Jobs that take no time: one kind fails, one kind hangs the first time."""

    def start(task, options):
        task.job.parent.mkdir(parents=True, exist_ok=True)
        with serial._log(task.job).open("wb") as out:
            return subprocess.Popen([sys.executable, "-c", STAND_IN, str(task.scan), str(task.job)], stderr=out)

    monkeypatch.setattr(serial, "_started", start)


def test_one_bad_scan_fails_alone_with_its_message(tmp_path: Path, stand_in, capsys) -> None:
    tasks = serial.tasks_of([Path("good.ply"), Path("bad.ply"), Path("other.ply")], tmp_path / "jobs", {})
    done, notes = serial.run_all(tasks, (), SeriesSettings(at_once=2), Screen(quiet=False))
    assert [d.code for d in done] == [0, 3, 0] and done[1].message == "no rails were found"
    assert all(d.peak_mb > 1 for d in done) and "memory: the largest scan took" in notes[0].text
    told = capsys.readouterr().err
    assert "FAILED (3): no rails were found" in told and "3 of 3" in told
    assert not list((tmp_path / "jobs").glob("*.log"))
    assert serial.failures(done) == {"bad": "no rails were found"}
    serial.enough(done)
    with pytest.raises(DataError, match="none of 1 scans"):
        serial.enough(done[1:2])


def test_a_killed_worker_costs_nothing_but_time(tmp_path: Path, stand_in, monkeypatch: pytest.MonkeyPatch) -> None:
    tasks = serial.tasks_of([Path("good.ply"), Path("slow.ply")], tmp_path / "jobs", {})
    start = serial._started

    def start_and_kill(task, options):
        process = start(task, options)
        if "slow" in str(task.scan):
            while not task.job.exists():
                pass
            os.kill(process.pid, signal.SIGKILL)
        return process

    monkeypatch.setattr(serial, "_started", start_and_kill)
    done, _ = serial.run_all(tasks, (), SeriesSettings(), Screen(quiet=True))
    assert done[1].code == -9 and "goes on from there" in done[1].message
    monkeypatch.setattr(serial, "_started", start)
    again, _ = serial.run_all(tasks, (), SeriesSettings(), Screen(quiet=True))
    assert [d.code for d in again] == [0, 0]


def test_cars_come_from_measured_points_of_the_names_file(tmp_path: Path) -> None:
    job = tmp_path / "one"
    job.mkdir()
    row = {"kind": "hole", "state": "measured", "x_mm": 1.0, "y_mm": 2.0, "z_mm": 3.0, "diameter_mm": 10.5,
           "U_diameter_mm": 0.2, "covariance_mm2": np.eye(3).tolist()}  # fmt: skip
    points = [{**row, "name": name} for name in ("a-L", "a-R", "other")]
    points.append({**row, "name": "b-L", "state": "mirrored"})
    axes = {"name": "iso8855", "x": "forward", "y": "left", "z": "up"}
    (job / "points.json").write_text(json.dumps({"axes": axes, "points": points}))
    names = tmp_path / "names.csv"
    names.write_text("# axes: iso8855\nname,kind,x_mm,y_mm,z_mm\na-L,hole,1,2,3\nb-L,hole,1,2,3\n")
    (car,) = serial.cars_of([serial.Done(serial.Task(Path("one.ply"), job, "7"), 0, "", 1.0, 1.0)], names)
    assert car.names == ("a-L", "a-R") and car.car == "7" and car.u_diameter[0] == 0.1
    (everything,) = serial.cars_of([serial.Done(serial.Task(Path("one.ply"), job), 0, "", 1.0, 1.0)], None)
    assert len(everything.names) == 3


def test_a_series_counts_in_the_axes_of_its_first_car(tmp_path: Path) -> None:
    """Jobs whose datums count one forward, one rearward, hold the same place with other signs."""
    cov = np.array([[1.0, 0.1, 0.2], [0.1, 1.0, 0.3], [0.2, 0.3, 1.0]])
    done = []
    for name, axes, sign in (("one", "iso4130", -1.0), ("two", "iso8855", 1.0)):
        job = tmp_path / name
        job.mkdir()
        turn = np.diag([sign, sign, 1.0])
        point = {"name": "a-L", "kind": "hole", "state": "measured", "x_mm": sign * 1.0, "y_mm": sign * 2.0,
                 "z_mm": 3.0, "diameter_mm": 10.5, "U_diameter_mm": 0.2,
                 "covariance_mm2": (turn @ cov @ turn).tolist()}  # fmt: skip
        (job / "points.json").write_text(json.dumps({"axes": {"name": axes}, "points": [point]}))
        done.append(serial.Done(serial.Task(Path(f"{name}.ply"), job), 0, "", 1.0, 1.0))
    one, two = serial.cars_of(done, None)
    assert one.axes == two.axes == "iso4130" and one.at == pytest.approx(np.array([[-1.0, -2.0, 3.0]]))
    assert two.at == pytest.approx(one.at) and two.cov == pytest.approx(one.cov)
    assert two.cov[0, 0, 2] == pytest.approx(-0.2)


def test_files_and_page_of_a_series_say_its_axes() -> None:
    asked = SeriesSettings()
    for s, ahead, side in ((spread(), "forward", "left"), (replace(spread(), axes="iso4130"), "rearward", "right")):
        assert f"x {ahead}, y {side}, z up" in series_csv(s).decode()
        assert f"x {ahead}, y {side};" in series_words(s, asked, {})
        page = series_html(s, asked, {}).decode()
        assert f"x {ahead}" in page and f"y {side}" in page
        assert {"forward": "rearward", "rearward": "forward"}[ahead] not in page.split("<main")[-1]
