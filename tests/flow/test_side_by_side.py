"""Work dealt out to forked copies of the process: the same as done alone, whatever becomes of a copy.

No source: common practice.
"""

import os
import signal
import sys

import pytest

from barerail import side_by_side
from barerail.side_by_side import mapped, processors

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forked copies are used on Linux alone")


@pytest.fixture(autouse=True)
def three(monkeypatch):
    monkeypatch.setattr(side_by_side, "processors", lambda: 3)


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


def test_what_a_killed_copy_had_is_done_here():
    here = os.getpid()

    def deadly(i: int) -> int:
        if os.getpid() != here:
            os.kill(os.getpid(), signal.SIGKILL)
        return i

    assert mapped(deadly, range(50)) == list(range(50))
    assert none_left()


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

        assert True not in mapped(holds, range(500))


def test_progress_is_told_and_ends_with_all(monkeypatch):
    told = []
    monkeypatch.setattr(side_by_side, "processors", lambda: 1)
    mapped(lambda i: i, range(4), told.append)
    assert told == [0.25, 0.5, 0.75, 1.0]


def test_the_usual_limit_of_threads_holds(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    assert processors() == 1
    monkeypatch.setenv("OMP_NUM_THREADS", "none")
    assert processors() == len(os.sched_getaffinity(0))
