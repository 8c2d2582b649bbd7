"""Work dealt out to forked copies of the process: the same as done alone, whatever becomes of a copy.

No source: common practice.
"""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from barerail import forked
from barerail.forked import mapped, processors
from barerail.geometry.mirror import Mirror

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forked copies are used on Linux alone")


@pytest.fixture(autouse=True)
def three(monkeypatch):
    monkeypatch.setattr(forked, "processors", lambda: 3)


def none_left() -> bool:
    try:
        os.waitpid(-1, os.WNOHANG)
    except ChildProcessError:
        return True
    return False


@pytest.mark.parametrize("count", [0, 1, 2, 513, 2000])
def test_results_come_in_the_order_of_the_pieces(count):
    assert mapped(lambda i: i * i, range(count)) == [i * i for i in range(count)]
    assert none_left()


def test_more_than_one_process_works():
    here = os.getpid()

    def where(i: int) -> int:
        end = os.times().elapsed + 0.05
        while os.times().elapsed < end:
            pass
        return os.getpid()

    assert len({here, *mapped(where, range(12))}) == 3


def test_the_first_piece_that_fails_is_the_one_that_is_raised():
    def fails(i: int) -> int:
        if i in (5, 9, 11):
            raise ValueError(i)
        return i

    with pytest.raises(ValueError, match=r"^5$"):
        mapped(fails, range(12))
    assert none_left()


@pytest.mark.parametrize("how", ["in its work", "in its answer"])
def test_what_a_killed_copy_had_is_done_here(how, tmp_path):
    here = os.getpid()

    class Deadly:
        def __reduce__(self):
            os.kill(os.getpid(), signal.SIGKILL)

    def deadly(i: int) -> object:
        time.sleep(0.01)
        if os.getpid() == here:
            return i
        (tmp_path / str(os.getpid())).touch()
        if how == "in its answer":
            return Deadly()
        return os.kill(os.getpid(), signal.SIGKILL)

    assert mapped(deadly, range(50)) == list(range(50))
    assert len(list(tmp_path.iterdir())) == 2 and none_left()


def test_where_no_process_can_be_made_all_is_done_here(monkeypatch):
    def none() -> int:
        raise BlockingIOError

    monkeypatch.setattr(os, "fork", none)
    before = signal.pthread_sigmask(signal.SIG_BLOCK, set())
    assert mapped(lambda i: i, range(5)) == list(range(5))
    assert signal.pthread_sigmask(signal.SIG_BLOCK, set()) == before


def test_a_copy_whose_parent_was_killed_ends_soon(tmp_path):
    log = tmp_path / "log"
    program = f"""
import os, time
from barerail import forked
forked.processors = lambda: 2
here = os.getpid()
def slow(i):
    time.sleep(0.2)
    if os.getpid() != here:
        open({str(log)!r}, "a").write("x")
forked.mapped(slow, range(100))
"""
    with subprocess.Popen([sys.executable, "-c", program]) as parent:
        while not log.exists():
            time.sleep(0.05)
        parent.kill()
    time.sleep(1.0)
    done = log.read_text()
    time.sleep(1.0)
    assert log.read_text() == done


def test_an_interrupt_here_leaves_no_copy_behind():
    here = os.getpid()

    def stops(i: int) -> int:
        while os.getpid() != here:
            pass
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        mapped(stops, range(50))
    assert none_left()


def test_a_copy_holds_none_of_the_files_open_here(tmp_path):
    here = os.getpid()
    with (tmp_path / "lock").open("w") as lock:

        def holds(i: int) -> bool | None:
            if os.getpid() == here:
                return None
            names = [os.path.realpath(f"/proc/self/fd/{n}") for n in os.listdir("/proc/self/fd")]
            return os.path.realpath(lock.name) in names

        held = mapped(holds, range(500))
        assert False in held and True not in held


@pytest.mark.parametrize("count", [1, 3])
def test_progress_grows_and_ends_with_all(monkeypatch, count):
    told = []
    monkeypatch.setattr(forked, "processors", lambda: count)
    mapped(lambda i: i, range(40), told.append)
    assert told == sorted(told) and told[-1] == 1.0


def test_records_from_a_copy_are_as_frozen_as_those_from_here():
    notes = mapped(lambda i: Mirror(np.array([0.0, 1.0, 0.0]), float(i)), range(500))
    assert not any(note.normal.flags.writeable for note in notes)


def test_the_usual_limit_of_threads_holds(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    assert processors() == 1
    monkeypatch.setenv("OMP_NUM_THREADS", "none")
    assert processors() == min(len(os.sched_getaffinity(0)), forked.MOST)
