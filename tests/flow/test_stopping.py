"""Ctrl-C at any moment: exit code 130, one line, and the next run goes on. A clock that jumps back changes nothing."""

import json
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
import scan_files
from stand_ins import Stages, do, quick

from barerail.store import job as job_module

STUBBORN = Path(__file__).with_name("stubborn.py")
SAMPLE = Path(__file__).parents[2] / "samples" / "scan.ply"
SAID = "barerail: stopped; what was done is kept, the same command goes on from there"
GENEROUS_S = 120
"""Nothing here is timed; `tests/speed/kill.py --ctrl-c` tells how long a stop takes."""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no Ctrl-C can be sent to one process there")


def started(*words: object) -> subprocess.Popen:
    heard = lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)  # noqa: E731
    return subprocess.Popen([sys.executable, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                            text=True, preexec_fn=heard)  # fmt: skip


def stopped(child: subprocess.Popen, after: str, wait: float = 0.0) -> list[str]:
    """Lines that the program says once it was interrupted, some seconds after a line that starts with `after`."""
    while not (line := child.stderr.readline()).startswith(after):
        assert line, "it ended before"
    time.sleep(wait)
    child.send_signal(signal.SIGINT)
    out, rest = child.communicate(timeout=GENEROUS_S)
    assert out == "" and child.returncode == 130, rest
    return rest.splitlines()


def test_a_stop_during_fit_is_one_line_and_the_next_run_goes_on(tmp_path):
    job = tmp_path / "job"
    child = started("-m", "barerail", "run", SAMPLE, "--job", job, "--unit", "mm")
    said = stopped(child, "clean", wait=1.0)
    assert said[-1] == SAID and not [line for line in said[:-1] if not line.startswith(" " * 24)]
    assert set(json.loads((job / "job.json").read_text())["stages"]) == {"read", "clean"}
    assert not list(job.rglob("*.part")) and not (job / "fault.txt").exists()
    again = started("-m", "barerail", "fit", "--job", job)
    _, told = again.communicate(timeout=GENEROUS_S)
    stages = {line.split()[0]: line for line in told.splitlines() if not line.startswith(" ")}
    assert again.returncode == 0 and "skipped" in stages["clean"] and "holes" in stages["fit"]


@pytest.mark.parametrize("how", ["plain", "native", "swallowed", "turned", "refused"])
def test_a_stop_is_the_same_whatever_a_library_makes_of_it(tmp_path, how):
    scan = scan_files.ply(tmp_path / "frame.ply")
    job = tmp_path / "job"
    child = started(STUBBORN, how, "run", scan, "--job", job, "--unit", "mm", "--quiet")
    assert stopped(child, "fit began") == [SAID]
    assert set(json.loads((job / "job.json").read_text())["stages"]) == {"read", "clean"}
    assert not (job / "fault.txt").exists()


def test_a_caller_that_has_it_ignore_ctrl_c_is_obeyed(tmp_path):
    command = [sys.executable, STUBBORN, "plain", "run", scan_files.ply(tmp_path / "a.ply"), "--job", tmp_path / "job"]
    ignore = lambda: signal.signal(signal.SIGINT, signal.SIG_IGN)  # noqa: E731
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, preexec_fn=ignore) as child:
        while not child.stderr.readline().startswith(b"fit began"):
            pass
        child.send_signal(signal.SIGINT)
        with pytest.raises(subprocess.TimeoutExpired):
            child.wait(2.5)
        child.kill()


def test_a_clock_that_goes_backwards_changes_nothing_but_the_dates(tmp_path, monkeypatch):
    stages = Stages(monkeypatch)
    scan, settings = quick(tmp_path)
    job = tmp_path / "job"
    years = iter(range(2040, 1970, -1))

    class Backwards(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime(next(years), 1, 1, tzinfo=UTC)

    monkeypatch.setattr(job_module, "datetime", Backwards)
    monkeypatch.setattr(time, "time", lambda: 2e9 - 1e6 * next(years))
    do(job, scan, settings=settings)
    finished = [s["finished"] for s in json.loads((job / "job.json").read_text())["stages"].values()]
    assert finished == sorted(finished, reverse=True)
    before = {p: p.read_bytes() for p in job.rglob("*") if p.is_file() and p.name not in ("job.json", "lock")}
    for path in (scan, *before):
        os.utime(path, (3e9, 3e9))
    stages.done.clear()
    do(job)
    assert stages.done == []
    do(job, changes={"fit.hole_min_mm": 7.0})
    assert stages.done == ["fit"]
    assert all(path.read_bytes() == kept for path, kept in before.items())
