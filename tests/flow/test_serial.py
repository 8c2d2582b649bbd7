"""The series command: one bad scan fails alone, what is done stays done, and the result says what it rests on."""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from barerail import serial, working
from barerail.at_once import Here, Work
from barerail.errors import DataError, UsageError
from barerail.outputs.page_series import series_html
from barerail.outputs.series import series_csv, series_words, suggested
from barerail.records import Car
from barerail.screen import Board
from barerail.settings import DatumSettings, SeriesSettings
from barerail.stages.series import series
from barerail.store import apart
from barerail.store.tables import cars
from barerail.working import Ended, Machine, Order


def spread():
    rng = np.random.default_rng(4)
    base = np.array([[0.0, 400, 0], [0, -400, 0]])
    some = []
    for i in range(8):
        at = base + [[0.3], [0.0]] * rng.normal(size=(2, 3)) + 0.05 * rng.normal(size=(2, 3))
        cov = np.tile(0.0025 * np.eye(3), (2, 1, 1))
        some.append(
            Car(
                f"car<{i}>",
                ("a-L", "a-R"),
                ("hole", "hole"),
                at,
                cov,
                np.full(2, 11.0),
                np.full(2, 0.05),
                np.tile([0.0, 0, 1], (2, 1)),
            )
        )
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


def test_with_and_without_a_car_that_does_not_belong(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    some = []
    for i in range(12):
        at = (
            np.array([[0.0, 400, 0], [0, -400, 0]])
            + 0.1 * rng.normal(size=(2, 3))
            + [[0.0], [9.0 * (i == 3)]] * np.eye(3)[1]
        )
        cov = np.tile(0.0025 * np.eye(3), (2, 1, 1))
        up = np.tile([0.0, 0, 1], (2, 1))
        some.append(Car(f"car{i}", ("a-L", "a-R"), ("hole",) * 2, at, cov, np.full(2, 11.0), np.full(2, 0.05), up))
    asked = SeriesSettings(lengths=(("a-L", "a-R"),))
    s = series(some, asked)
    text = series_csv(s).decode()
    rows = {(r["what"], r["axis"]): r for r in csv.DictReader(t for t in text.splitlines() if t[0] != "#")}
    y = rows["a-R", "y"]
    assert list(s.odd) == ["car3"] and "# may not belong: car3: " in text
    assert float(y["sd_mm"]) > 2 and float(y["without_odd_sd_mm"]) < 0.2
    assert (y["n"], y["without_odd_n"]) == ("12", "11") and rows["a-L - a-R", ""]["without_odd_n"] == "11"
    assert float(y["cov_y_mm2"]) == pytest.approx(float(y["sd_mm"]) ** 2, rel=1e-3)
    assert float(y["cov_x_mm2"]) == pytest.approx(float(rows["a-R", "x"]["cov_y_mm2"])) and not y["cov_x_mm2"] == ""
    told, page = series_words(s, asked, {}), series_html(s, asked, {}).decode()
    assert (
        told.count("Holes that would take them") == 2
        and "Without car3, where the sd then differs" in told
        and "series.json has the figures" not in told + page
    )
    assert (
        told.split("Without car3")[1].count("a-R") == 1 + 1 + 2
        and page.count("may not belong") >= 3
        and "cov x" in page
    )


def test_what_takes_a_zone() -> None:
    """ISO 273 for M10: fine 10.5, medium 11, coarse 12; beyond that a slot as wide as the medium hole."""
    assert suggested("M10", 0.4) == (10.5, "fine", None)
    assert suggested("M10", 0.5) == (10.5, "fine", None)
    assert suggested("M10", 1.6) == (12.0, "coarse", None)
    assert suggested("M10", 3.2) == (11.0, "slot", 14.5)
    assert suggested("", 1.0) == (None, "", None)


def test_tasks_have_folders_of_their_own() -> None:
    scans = [Path("x/one.ply"), Path("a/scan.ply"), Path("b/scan.ply")]
    tasks = serial.tasks_of(scans, Path("jobs"), {"one.ply": ("7", "k"), "b/scan.ply": ("8", "")})
    assert [t.job.name for t in tasks] == ["one", "a-scan", "b-scan"]
    assert (tasks[0].car, tasks[0].operator) == ("7", "k") and [t.car for t in tasks] == ["7", "", "8"]
    with pytest.raises(UsageError, match=r"--cars tells of two\.ply, which isn't one of the scans"):
        serial.tasks_of(scans, Path("jobs"), {"two.ply": ("7", "k")})
    with pytest.raises(UsageError, match="share the job"):
        serial.tasks_of([Path("x/one.ply"), Path("y/one.ply")], Path("jobs"), {})


def test_a_table_of_repeated_scans() -> None:
    assert cars(b"scan,car,operator\na.ply,1,k\n", "w.csv") == {"a.ply": ("1", "k")}
    for data, fault in ((b"scan,car\na.ply,\n", "line 2 lacks"), (b"scan,car\na,1\na,2\n", "line 3: a stands")):
        with pytest.raises(UsageError, match=fault):
            cars(data, "w.csv")


STAND_IN = """
import json, os, pathlib, sys, time
_, scan, _, job, *options = sys.argv[1:]
job = pathlib.Path(job)
if "bad" in scan: print("barerail: no rails were found", file=sys.stderr); sys.exit(3)
if "slow" in scan and not job.exists(): job.mkdir(); (job / "pid").write_text(f"{os.getpid()}."); time.sleep(60)
job.mkdir(exist_ok=True)
(job / "job.json").write_text(json.dumps(options))
"""


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Jobs that take no time: one kind fails, one kind hangs the first time."""
    monkeypatch.setattr(working, "COMMAND", (sys.executable, "-c", STAND_IN))


def worked(tasks: list[serial.Task], board: Board, lead: bool = False, **asked: object) -> tuple[list, Work]:
    work = Work(Here(), SeriesSettings(**asked), board)
    with board:
        return serial.run_all(tasks, (), lead, work), work


def options_of(task: serial.Task) -> list[str]:
    return json.loads((task.job / "job.json").read_text())


def test_one_bad_scan_fails_alone_with_its_message(tmp_path: Path, stand_in, capsys) -> None:
    tasks = serial.tasks_of([Path("good.ply"), Path("bad.ply"), Path("other.ply")], tmp_path / "jobs", {})
    done, work = worked(tasks, Board(3), at_once=2)
    assert [d.code for d in done] == [0, 3, 0] and done[1].message == "no rails were found"
    assert work.peak_mb > 1 and "memory: the largest scan took" in work.told()
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 3 and "FAILED (3): no rails were found" in "".join(told) and told[-1].endswith("3 of 3")
    assert serial.failures(done) == {"bad": "no rails were found"}
    serial.enough(done)
    with pytest.raises(DataError, match="none of 1 scans"):
        serial.enough(done[1:2])


def test_a_terminal_shows_a_line_for_each_scan_at_work_and_one_for_all(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with Board(2) as board:
        board.begin("one")
        board.begin("two")
        assert [task.description for task in board.bar.tasks] == ["all scans", "one", "two"]
        board.end("two", Ended(3, "no [rails] were found", 1.0, 200.0))
        assert [task.description for task in board.bar.tasks] == ["all scans", "one"]
        board.end("one", Ended(0, seconds=2.0, idle=True))
        assert board.bar.tasks[0].completed == 2
    said = terminal.getvalue()
    assert "FAILED (3): no [rails] were found, 200 MB; 1 of 2" in said and "was done before; 2 of 2" in said


def test_the_first_scan_that_ends_well_sets_the_datum_of_the_rest(tmp_path: Path, stand_in) -> None:
    tasks = serial.tasks_of([Path(f"{n}.ply") for n in ("bad", "one", "two", "three")], tmp_path / "jobs", {})
    done, _ = worked(tasks, Board(4, quiet=True), lead=True)
    assert [d.code for d in done] == [3, 0, 0, 0] and [d.task for d in done] == tasks
    assert "--datum-from" not in options_of(tasks[1])
    for task in tasks[2:]:
        assert options_of(task)[-2:] == ["--datum-from", str(tasks[1].job)]
    done, _ = worked(tasks[:1], Board(1, quiet=True), lead=True)
    assert [d.code for d in done] == [3]
    assert serial.lead_is_wanted(DatumSettings()) and not serial.lead_is_wanted(DatumSettings(origin="a-L"))


def test_how_many_go_at_once_is_what_memory_was_seen_to_allow(tmp_path: Path) -> None:
    """0.8 GB a scan and a quarter more: three in 3 GB, on each of two machines with processors for them."""

    class Two:
        now = most = 0

        def machines(self) -> list[Machine]:
            return [Machine(8, 9000.0), Machine(2, 9000.0)]

        def work(self, order: Order) -> Ended:
            self.now += 1
            self.most = max(self.most, self.now)
            time.sleep(0.02)
            self.now -= 1
            return Ended(0, peak_mb=800.0, idle="done" in order.scan.name)

    for name, most in (("new", 3 + 2), ("done", 1)):
        place, orders = Two(), [Order(Path(f"{name}{i}.ply"), tmp_path / str(i)) for i in range(12)]
        work = Work(place, SeriesSettings(memory_gb=3.0), Board(12, quiet=True))
        assert len(work.done(orders)) == 12 and place.most == work.most == most
    assert "nothing was left to do" in work.told() and "3000 MB on 2 machines" in work.told()


def test_a_killed_worker_costs_nothing_but_time(tmp_path: Path, stand_in) -> None:
    tasks = serial.tasks_of([Path("good.ply"), Path("slow.ply")], tmp_path / "jobs", {})

    def kill() -> None:
        told = tasks[1].job / "pid"
        while not (told.exists() and told.read_text().endswith(".")):
            time.sleep(0.01)
        os.kill(int(told.read_text()[:-1]), signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    done, _ = worked(tasks, Board(2, quiet=True))
    killer.join()
    assert done[1].code == -9 and "goes on from there" in done[1].message
    again, _ = worked(tasks, Board(2, quiet=True))
    assert [d.code for d in again] == [0, 0]


def test_a_job_ends_with_the_program_that_started_it(tmp_path: Path) -> None:
    """Its standard input ends, whatever ended the program."""
    sample = Path(__file__).parents[2] / "samples" / "scan.ply"
    command = [*working.COMMAND, "run", str(sample), "--job", str(tmp_path / "job"), "--unit", "mm"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
                          env=apart.environment(), text=True) as child:  # fmt: skip
        assert child.stderr.readline().startswith("read")
        child.stdin.close()
        assert child.wait(60) == 1


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
    (car,), _ = serial.cars_of([serial.Done(serial.Task(Path("one.ply"), job, "7"), 0, "")], names)
    assert car.names == ("a-L", "a-R") and car.car == "7" and car.u_diameter[0] == 0.1
    (everything,), _ = serial.cars_of([serial.Done(serial.Task(Path("one.ply"), job), 0, "")], None)
    assert len(everything.names) == 3


def test_points_that_are_not_the_first_cars_of_that_name_are_left_out(tmp_path: Path) -> None:
    """The other face of a sheet always; another place where the names are automatic, but a rail's middle may move."""
    row = {"kind": "hole", "state": "measured", "x_mm": 1.0, "y_mm": 2.0, "z_mm": 3.0, "diameter_mm": 10.5, "axis_x": 0,
           "axis_y": 0, "axis_z": 1, "U_diameter_mm": 0.2, "covariance_mm2": np.eye(3).tolist()}  # fmt: skip
    first = [{**row, "name": name} for name in ("a", "b", "c")] + [{**row, "name": "rail", "kind": "rail"}]
    second = [{**row, "name": "a", "axis_z": -1}, {**row, "name": "b", "x_mm": 17.0},
              {**row, "name": "c", "x_mm": 15.0}, {**row, "name": "rail", "kind": "rail", "x_mm": 90.0}]  # fmt: skip
    done = []
    for name, points in (("one", first), ("two", second)):
        job = tmp_path / name
        job.mkdir()
        (job / "points.json").write_text(json.dumps({"axes": {"name": "iso8855"}, "points": points}))
        done.append(serial.Done(serial.Task(Path(f"{name}.ply"), job), 0, ""))
    (one, two), (note,) = serial.cars_of(done, None)
    assert one.names == ("a", "b", "c", "rail") and two.names == ("c", "rail")
    assert note.text.endswith("a of two, b of two") and note.warning and two.at[0, 0] == 15.0
    names = tmp_path / "names.csv"
    names.write_text("name,kind,x_mm,y_mm,z_mm\na,hole,1,2,3\nb,hole,1,2,3\n")
    (_, two), _ = serial.cars_of(done, names)
    assert two.names == ("b",)


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
        done.append(serial.Done(serial.Task(Path(f"{name}.ply"), job), 0, ""))
    (one, two), _ = serial.cars_of(done, None)
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
