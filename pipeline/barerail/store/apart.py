"""Files that a native library decodes, in a process of its own: one that makes it crash, hang or fill the memory ends
that process, and the run goes on to say so."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import IO, Any

import numpy as np

from barerail.errors import BarerailError, DataError, UsageError
from barerail.store.raw import Raw

START_S, LEAST_S, S_PER_MB = 120.0, 8.0, 10.0
"""Patience for the process to start, and for what it decodes: at least 8 s, and 10 s for each MB of the file, some 100
times what an honest one takes (judgement)."""
_START_CPU_S, _MEMORY, _MEMORY_PER_BYTE = 10, 2 << 30, 60
"""Processor time for its start, and memory that it may take: 2 GB, and 60 times the file's size (judgement)."""
_LONGEST_LINE, _MOST_ROWS = 1 << 16, 1 << 28


def blocks(path: Path, maker: str) -> Iterator[Raw]:
    """The blocks that `maker` ("module:function", Path -> blocks) makes of a file; clouds only.

    DataError where its process dies or takes too long; UsageError and DataError as the maker raises them.
    """
    with _started(path, maker) as child:
        try:
            yield from _received(_Child(path, child))
        finally:
            child.kill()


def environment() -> dict[str, str]:
    """That of a further process which is to find this package."""
    root = str(Path(__file__).parents[2])
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))}


def _started(path: Path, maker: str) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-P", "-m", "barerail.store.apart", str(path.resolve()), maker]
    return subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment(),
    )


def _patience(size: int) -> float:
    return max(LEAST_S, S_PER_MB * size / 1e6)


class _Child:
    """What a decoding process says, as long as there is patience left for it; time spent elsewhere doesn't count."""

    def __init__(self, path: Path, process: "subprocess.Popen[bytes]") -> None:
        self.path, self.process, self.late = path, process, False
        self.out: IO[bytes] = process.stdout  # type: ignore[assignment]
        self.patience = _patience(path.stat().st_size)
        self.left = START_S

    def start(self) -> None:
        """Wait until it is there; from now on its patience is that for the file."""
        self._waited(lambda: self.out.readline(_LONGEST_LINE))
        self.left = self.patience

    def line(self) -> dict[str, Any]:
        text = self._waited(lambda: self.out.readline(_LONGEST_LINE))
        with suppress(ValueError):
            if isinstance(said := json.loads(text), dict):
                return said
        raise self._lost()

    def array(self, rows: int, kind: str) -> Any:
        """Rows (rows, 3) of numbers."""
        size = 3 * rows * np.dtype(kind).itemsize
        data = self._waited(lambda: self.out.read(size))
        if len(data) < size:
            raise self._lost()
        return np.frombuffer(data, kind).reshape(-1, 3)

    def _waited(self, do: Any) -> Any:
        timer = threading.Timer(max(self.left, 0), self._stop)
        began = time.monotonic()
        timer.start()
        try:
            return do()
        finally:
            timer.cancel()
            self.left -= time.monotonic() - began

    def _stop(self) -> None:
        self.late = True
        self.process.kill()

    def _lost(self) -> DataError:
        if self.late:
            size = self.path.stat().st_size / 1e6
            return DataError(
                f"{self.path.name} is damaged: its {size:.3g} MB were not decoded within {self.patience:.0f} s: "
                "export it again, as PLY where you can"
            )
        self.process.kill()
        code = self.process.wait()
        how = f"by signal {-code}" if code < 0 else f"with exit code {code}"
        return DataError(
            f"{self.path.name} is damaged, or more than this machine's memory holds: decoding it broke off ({how}): "
            "export it again, as PLY where you can"
        )


def _received(child: _Child) -> Iterator[Raw]:
    child.start()
    while (said := child.line()).get("rows") is not None:
        rows = said["rows"]
        if not isinstance(rows, int) or not 0 <= rows < _MOST_ROWS:
            raise child._lost()
        points = child.array(rows, "<f8")
        normals = child.array(rows, "<f4") if said["normals"] else None
        yield Raw(points, normals, None, said["unit"], tuple(said["remarks"]), said["promised"])
    if "error" in said:
        raise (UsageError if said["exit"] == UsageError.exit_code else DataError)(said["error"])


def _send(out: IO[bytes], block: Raw) -> None:
    about = {"rows": len(block.points), "normals": block.normals is not None, "unit": block.unit}
    _say(out, **about, remarks=block.remarks, promised=block.promised)
    out.write(np.ascontiguousarray(block.points, "<f8").tobytes())
    if block.normals is not None:
        out.write(np.ascontiguousarray(block.normals, "<f4").tobytes())


def _say(out: IO[bytes], **said: Any) -> None:
    out.write(json.dumps(said).encode() + b"\n")
    out.flush()


def _capped(size: int) -> None:
    if sys.platform == "win32":
        return
    import resource

    # Time too: a run that is killed leaves nobody to stop this process.
    seconds = int((_START_CPU_S + _patience(size)) * (os.cpu_count() or 1))
    for kind, most in ((resource.RLIMIT_DATA, _MEMORY + _MEMORY_PER_BYTE * size), (resource.RLIMIT_CPU, seconds)):
        _, hard = resource.getrlimit(kind)
        resource.setrlimit(kind, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))


def main() -> None:
    """`apart.py FILE MODULE:FUNCTION`: the blocks, on standard output."""
    # Ctrl-C reaches the whole group: the run that waits for this process ends it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    out, path = sys.stdout.buffer, Path(sys.argv[1])
    module, _, name = sys.argv[2].partition(":")
    _capped(path.stat().st_size)
    maker = getattr(import_module(module), name)
    _say(out)
    try:
        for block in maker(path):
            _send(out, block)
        _say(out)
    except BarerailError as error:
        _say(out, error=str(error), exit=error.exit_code)


if __name__ == "__main__":
    main()
