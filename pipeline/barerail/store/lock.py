"""One run at a time on a job folder: an advisory lock that the system drops when its holder dies."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from barerail.errors import UsageError
from barerail.store.files import disk_error


def _try_lock(stream: IO[str]) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            stream.seek(0)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold the lock file at `path`; UsageError, naming the process, where another run holds it.

    The file stays when the lock is released: removing it would let two runs hold two files of one name.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        stream = path.open("a+", encoding="utf-8")
    except OSError as error:
        raise disk_error(error, path) from error
    with stream:
        if not _try_lock(stream):
            stream.seek(0)
            holder = stream.read().strip() or "of unknown number"
            raise UsageError(
                f"another run (process {holder}) is working in {path.parent.parent}: "
                "wait until it ends, or give this run a --job folder of its own"
            )
        stream.truncate(0)
        stream.write(f"{os.getpid()}\n")
        stream.flush()
        yield
