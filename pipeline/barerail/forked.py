"""Work in equal pieces, done on as many processors as there are, by forked copies of this process.

A copy has everything in memory as it is, so that nothing is sent to it; only what it found comes back. The pieces are
pure, so that who does which changes nothing.
"""

import os
import pickle
import signal
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from math import ceil
from typing import Any, NoReturn, TypeVar

from barerail.records import Progress, no_progress

T = TypeVar("T")
R = TypeVar("R")
MOST = 16
"""Processes beyond which more gain nothing here: what isn't dealt out then takes most of the time."""
LOTS = 512
"""Most lots that the pieces are dealt out in: their numbers fit into any pipe."""


def mapped(do: Callable[[T], R], pieces: Sequence[T], progress: Progress = no_progress) -> list[R]:
    """do(piece) of each piece, in their order; raises what `do` raises for the first piece that it does for.

    do: works by numpy and scipy alone, since threads of other libraries (open3d's) don't outlive a fork. Everything is
    done here where there is one processor only, or OMP_NUM_THREADS allows one, or copies can't be trusted (not Linux).
    """
    found: dict[int, Any] = {}
    copies = min(processors(), len(pieces)) - 1
    if copies > 0:
        found = _dealt_out(_Lots(do, pieces), copies, progress)
    for i, piece in enumerate(pieces):
        if i not in found:
            found[i] = do(piece)
            if copies < 1:
                progress((i + 1) / len(pieces))
    return [found[i] for i in range(len(pieces))]


def _dealt_out(lots: "_Lots", copies: int, progress: Progress) -> dict[int, Any]:
    """What came of the lots, by the number of the piece, but for pieces that failed and those of a copy that did."""
    found: dict[int, Any] = {}
    children: list[_Child] = []
    try:
        for _ in range(copies):
            with suppress(OSError):  # no more processes: fewer copies do the same
                children.append(_Child())
                children[-1].begin(lots)
        found |= lots.done(progress)
        for child in children:
            found |= child.found()
    finally:
        lots.close()
        for child in children:
            child.end()
    progress(1.0)
    return found


def processors() -> int:
    """How many this process may use."""
    if sys.platform != "linux":
        return 1
    limit = os.environ.get("OMP_NUM_THREADS", "").split(",")[0].strip()
    most = int(limit) if limit.isdecimal() and int(limit) else MOST
    return min(len(os.sched_getaffinity(0)), most)


class _Lots:
    """Pieces in lots that whoever is free takes the next of: their numbers lie in a pipe, of which a read takes one."""

    def __init__(self, do: Callable[[Any], Any], pieces: Sequence[Any]) -> None:
        self.do, self.pieces, self.each, self.owner = do, pieces, ceil(len(pieces) / LOTS), os.getpid()
        self.next, fill = os.pipe()
        for lot in range(ceil(len(pieces) / self.each)):
            os.write(fill, lot.to_bytes(4, "little"))
        os.close(fill)

    def done(self, progress: Progress = no_progress) -> dict[int, Any]:
        """What came of the lots taken here, by the number of the piece; those that failed are left out."""
        found = {}
        while not self._orphaned() and (taken := os.read(self.next, 4)):
            first = int.from_bytes(taken, "little") * self.each
            progress(first / len(self.pieces))
            for i in range(first, min(first + self.each, len(self.pieces))):
                with suppress(Exception):
                    found[i] = self.do(self.pieces[i])
        return found

    def _orphaned(self) -> bool:
        """Whether this is a copy whose parent is gone: nobody waits for it."""
        return self.owner not in (os.getpid(), os.getppid())

    def close(self) -> None:
        os.close(self.next)


class _Child:
    """A forked copy at work on lots."""

    def __init__(self) -> None:
        self.pid = 0
        answer, self.tell = os.pipe()
        self.answer = os.fdopen(answer, "rb")

    def begin(self, lots: _Lots) -> None:
        # An interrupt must not be raised in the copy before it has left the parent's work behind.
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            self.pid = os.fork()
            if not self.pid:
                _work(lots, self.tell)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        self._hang_up()

    def found(self) -> dict[int, Any]:
        """What it found; nothing where it failed or was killed, as where memory runs out."""
        said = self.answer.read() if self.pid else b""
        pid, self.pid = self.pid, 0
        return pickle.loads(said) if pid and os.waitpid(pid, 0)[1] == 0 else {}

    def end(self) -> None:
        self._hang_up()
        self.answer.close()
        if self.pid:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)

    def _hang_up(self) -> None:
        if self.tell >= 0:
            os.close(self.tell)
        self.tell = -1


def _work(lots: _Lots, tell: int) -> NoReturn:
    """A copy's life. No file of its parent's stays open in it: a lock would outlive the parent."""
    code = 1
    try:
        signal.set_wakeup_fd(-1)
        if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
            signal.signal(signal.SIGINT, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
        for number in map(int, os.listdir("/proc/self/fd")):
            if number > 2 and number not in (lots.next, tell):
                with suppress(OSError):
                    os.close(number)
        said = pickle.dumps(lots.done(), pickle.HIGHEST_PROTOCOL)
        with os.fdopen(tell, "wb") as out:
            out.write(said)
        code = 0
    finally:
        os._exit(code)
