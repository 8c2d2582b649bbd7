"""The job of one scan, in a process of its own: here, or on a machine that sees only some of its files."""

import os
import runpy
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import NamedTuple

from barerail.errors import UsageError
from barerail.ledger import code_of
from barerail.store import apart, files

COMMAND = (sys.executable, "-P", "-m", "barerail.working")
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
LIBRARIES = ("numpy", "scipy", "scikit-learn", "trimesh", "manifold3d", "open3d", "open3d-cpu")
"""Whose versions may change a byte of a result."""


@dataclass(frozen=True)
class Order:
    """A scan, its job's folder, and options of `barerail run`; values that are paths are files or jobs it needs.

    among: how many jobs share the processors of the machine. For a machine that may not see these paths: `needs`,
    the files by path with their hashes, `sign`, a file that is there where the job's folder is, `carried`, the content
    of what wasn't seen, and `made_by`, what the result must be made by.
    """

    scan: Path
    job: Path
    options: tuple[tuple[str, Path | str], ...] = ()
    among: int = 1
    needs: Mapping[Path, str] = field(default_factory=dict)
    sign: Path | None = None
    carried: Mapping[Path, bytes] = field(default_factory=dict)
    made_by: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Ended:
    """How a job ended: exit code, its error line, seconds, most memory in MB. idle: all of it was done before.

    unseen: it wasn't begun, for want of these. files: those of a job folder that isn't here, by path in it.
    """

    code: int
    message: str = ""
    seconds: float = 0.0
    peak_mb: float = 0.0
    idle: bool = False
    unseen: tuple[Path, ...] = ()
    files: Mapping[str, bytes] | None = None


class Machine(NamedTuple):
    """Where jobs are done: how many at once its threads take, and the memory that was free, MB."""

    threads: int
    free_mb: float


def work(order: Order) -> Ended:
    """Do the job in its folder where all it needs is seen, else in a copy of the folders, whose files come back.

    UsageError where this machine would make it by other code than asked.
    """
    if told := difference(order.made_by):
        raise UsageError(f"--cluster: a worker {told}")
    unseen = _unseen(order)
    if not unseen:
        return _done(order)
    if lacking := [path for path in unseen if path not in order.carried]:
        return Ended(0, unseen=tuple(lacking))
    with tempfile.TemporaryDirectory(prefix="barerail-") as folder:
        root = Path(folder).resolve()
        ended = _done(_laid(order, root))
        job = _under(root, order.job)
        kept = {p.relative_to(job).as_posix(): p.read_bytes() for p in sorted(job.rglob("*")) if p.is_file()}
        kept.pop("work/lock", None)
        return replace(ended, message=ended.message.replace(str(root), ""), files=kept)


def _unseen(order: Order) -> list[Path]:
    """Files that aren't here as the order has them; with any of them, or without its sign, the job's folder too."""
    lost = [path for path, known in order.needs.items() if not path.is_file() or files.sha256(path) != known]
    elsewhere = lost or (order.sign is not None and not order.sign.exists())
    return [*lost, order.job] if elsewhere else []


def _under(root: Path, path: Path) -> Path:
    return root / path.relative_to(path.anchor)


def _laid(order: Order, root: Path) -> Order:
    """The order with all its paths below `root`, as they lie to each other where it comes from, and its files there."""
    contents = {path: order.carried[path] if path in order.carried else path.read_bytes() for path in order.needs}
    contents |= {path: content for path, content in order.carried.items() if path != order.job}
    for path, content in contents.items():
        files.write(_under(root, path), content)
    options = tuple((o, _under(root, value) if isinstance(value, Path) else value) for o, value in order.options)
    return replace(order, scan=_under(root, order.scan), job=_under(root, order.job), options=options)


def _done(order: Order) -> Ended:
    """The job done by a process that ends when this one does, whatever ends it."""
    options = [str(part) for option in order.options for part in option]
    command = [*COMMAND, "run", str(order.scan), "--job", str(order.job), "--quiet", *options]
    share = str(max(1, (os.cpu_count() or 1) // order.among))
    order.job.parent.mkdir(parents=True, exist_ok=True)
    record, began = _record(order.job), time.monotonic()
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**dict.fromkeys(THREADS, share), **apart.environment()},
    ) as child:
        said = child.stderr.read().decode("utf-8", "replace")  # type: ignore[union-attr]
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    peak = usage.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)
    idle = record != b"" and record == _record(order.job)
    return Ended(child.returncode, _message(child.returncode, said), time.monotonic() - began, peak, idle)


def _record(job: Path) -> bytes:
    file = job / "job.json"
    return file.read_bytes() if file.is_file() else b""


def _message(code: int, said: str) -> str:
    if code < 0:
        return f"killed by signal {-code}: run the same command again, it goes on from there"
    lines = said.strip().splitlines()
    return lines[-1].removeprefix("barerail: ") if lines and code else ""


@cache
def made_by() -> dict[str, str]:
    """What a result's bytes rest on beside the scan: this code, Python and the numeric libraries."""
    python = ".".join(map(str, sys.version_info[:2]))
    return {"barerail": code_of(("",))[:12], "python": python, **{name: _version(name) for name in LIBRARIES}}


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "none"


def difference(other: Mapping[str, str]) -> str:
    """What of `other` is made by something else than here, in words; empty where nothing is."""
    own = made_by()
    names = [name for name, version in other.items() if own.get(name) != version]
    if not names:
        return ""
    here, there = (", ".join(f"{n} {versions.get(n)}" for n in names) for versions in (own, other))
    return f"has {here}, the series is made by {there}: install the same on both"


def _end_with_parent() -> None:
    os.read(0, 1)
    os._exit(1)


if __name__ == "__main__":
    # Nothing is ever written to stdin: that it ends means that the process which started this one is gone.
    threading.Thread(target=_end_with_parent, daemon=True).start()
    runpy.run_module("barerail", run_name="__main__", alter_sys=True)
