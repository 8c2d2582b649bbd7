"""The series command: one bad scan fails alone, what is done stays done, and the result says what it rests on."""

import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from barerail import serial, working
from barerail.at_once import Here, Work
from barerail.errors import DataError, UsageError
from barerail.screen import Board
from barerail.settings import DatumSettings, SeriesSettings
from barerail.store import apart
from barerail.working import Ended, Machine, Order


def test_tasks_have_folders_of_their_own() -> None:
    scans = [Path("x/one.ply"), Path("a/scan.ply"), Path("b/scan.ply")]
    tasks = serial.tasks_of(scans, Path("jobs"), {"one.ply": ("7", "k"), "b/scan.ply": ("8", "")})
    assert [t.job.name for t in tasks] == ["one", "a-scan", "b-scan"]
    assert (tasks[0].car, tasks[0].operator) == ("7", "k") and [t.car for t in tasks] == ["7", "", "8"]
    with pytest.raises(UsageError, match=r"--cars tells of two\.ply, which isn't one of the scans"):
        serial.tasks_of(scans, Path("jobs"), {"two.ply": ("7", "k")})
    with pytest.raises(UsageError, match="share the job"):
        serial.tasks_of([Path("x/one.ply"), Path("y/one.ply")], Path("jobs"), {})


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


def test_an_empty_file_travels_like_any_other(tmp_path: Path) -> None:
    scan = tmp_path / "here" / "empty.ply"
    order = Order(scan, tmp_path / "here" / "job", needs={scan: "0"}, carried={scan: b""})
    assert working._laid(order, tmp_path / "there").scan.read_bytes() == b""
