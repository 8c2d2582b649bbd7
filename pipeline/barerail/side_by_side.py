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
LOTS = 512
"""Most lots that the pieces are dealt out in: their numbers fit into any pipe."""


def mapped(do: Callable[[T], R], pieces: Sequence[T], progress: Progress = no_progress) -> list[R]:
    """do(piece) of each piece, in their order; raises what `do` raises for the first piece that it does for.

    do: works by numpy and scipy alone, since threads of other libraries (open3d's) don't outlive a fork. Everything is
    done here where there is one processor only, or OMP_NUM_THREADS allows one, or copies can't be trusted (not Linux).
    """
    copies = min(processors(), len(pieces)) - 1
    found: dict[int, Any] = {}
    if copies > 0:
        lots = _Lots(do, pieces)
        children: list[_Child] = []
        try:
            children += (_Child(lots) for _ in range(copies))
            found |= lots.done(progress)
            for child in children:
                found |= child.found()
        finally:
            lots.close()
            for child in children:
                child.end()
    for i, piece in enumerate(pieces):
        if i not in found:
            found[i] = do(piece)
            progress((i + 1) / len(pieces))
    return [found[i] for i in range(len(pieces))]


def processors() -> int:
    """How many this process may use."""
    if sys.platform != "linux":
        return 1
    limit = os.environ.get("OMP_NUM_THREADS", "")
    return min(len(os.sched_getaffinity(0)), int(limit) if limit.isdigit() and int(limit) else 64)


class _Lots:
    """Pieces in lots that whoever is free takes the next of: their numbers lie in a pipe, of which a read takes one."""

    def __init__(self, do: Callable[[Any], Any], pieces: Sequence[Any]) -> None:
        self.do, self.pieces, self.each = do, pieces, ceil(len(pieces) / LOTS)
        self.next, fill = os.pipe()
        for lot in range(ceil(len(pieces) / self.each)):
            os.write(fill, lot.to_bytes(4, "little"))
        os.close(fill)

    def done(self, progress: Progress = no_progress) -> dict[int, Any]:
        """What came of the lots taken here, by the number of the piece; those that failed are left out."""
        found = {}
        while taken := os.read(self.next, 4):
            first = int.from_bytes(taken, "little") * self.each
            progress(first / len(self.pieces))
            for i in range(first, min(first + self.each, len(self.pieces))):
                with suppress(Exception):
                    found[i] = self.do(self.pieces[i])
        return found

    def close(self) -> None:
        os.close(self.next)


class _Child:
    """A forked copy at work on lots."""

    def __init__(self, lots: _Lots) -> None:
        answer, tell = os.pipe()
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        self.pid = os.fork()
        if not self.pid:
            _work(lots, tell)
        self.answer = os.fdopen(answer, "rb")
        os.close(tell)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)

    def found(self) -> dict[int, Any]:
        """What it found; nothing where it was killed, as where memory ran out."""
        said = self.answer.read()
        return pickle.loads(said) if said else {}

    def end(self) -> None:
        self.answer.close()
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)


def _work(lots: _Lots, tell: int) -> NoReturn:
    """A copy's life. No file of its parent's stays open in it: a lock would outlive the parent."""
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
    finally:
        os._exit(0)
