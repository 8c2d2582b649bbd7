"""The job folder when something goes wrong: faults, locks, disks that are full or may not be written."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from stand_ins import do
from test_job import snapshot

from barerail.errors import BarerailError, UsageError
from barerail.store import files, lock

HOLDER = """
import sys, time, pathlib
from barerail.store import lock
with lock.held(pathlib.Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_fault_of_the_program_leaves_its_trace_in_the_job(job, stages):
    stages.fault["fit"] = RuntimeError("boom")
    with pytest.raises(BarerailError, match=r"fault of the program \(RuntimeError: boom\).*fault.txt") as caught:
        do(job, changes={"fit.hole_min_mm": 7.0})
    assert caught.value.exit_code == 1
    assert "stand_ins.py" in (job / "fault.txt").read_text()
    stages.fault.clear()
    do(job)
    assert not (job / "fault.txt").exists()


def test_one_run_at_a_time(job):
    with lock.held(job / "work" / "lock"), pytest.raises(UsageError, match=rf"\(process {os.getpid()}\) is working in"):
        do(job)
    do(job)


@pytest.mark.skipif(sys.platform == "win32", reason="a process can't be killed this way there")
def test_the_lock_of_a_killed_run_is_taken_over(tmp_path):
    path = tmp_path / "work" / "lock"
    with subprocess.Popen([sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE) as holder:
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(UsageError, match=rf"process {holder.pid}"), lock.held(path):
            pass
        holder.send_signal(signal.SIGKILL)
    with lock.held(path):
        pass


def test_a_write_that_fails_leaves_the_old_file_and_no_rest(tmp_path):
    path = tmp_path / "a.txt"
    files.write(path, b"old")

    def half(stream) -> None:
        stream.write(b"ne")
        raise RuntimeError

    with pytest.raises(RuntimeError):
        files.write(path, half)
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.txt", b"old")]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_a_full_disk_is_one_line_and_nothing_half_written(job, monkeypatch):
    before = snapshot(job)
    (job / ".points.json.part").symlink_to("/dev/full")
    monkeypatch.setattr(files, "sweep", lambda folder: None)
    with pytest.raises(UsageError, match=r"can't write .*points.json: the disk is full: free some space and run again"):
        do(job, changes={"points.zone_mm": 400.0})
    assert snapshot(job) == before


def test_rests_of_a_killed_run_are_swept(job):
    (job / "export" / ".points.step.part").write_bytes(b"half")
    do(job)
    assert not list(job.rglob(".*.part"))


def test_a_folder_that_may_not_be_written_says_so(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match=r"can't write .*file/a: "):
        files.write(tmp_path / "file" / "a", b"x")
