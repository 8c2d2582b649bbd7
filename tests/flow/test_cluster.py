"""A series on a Dask scheduler and workers started here: the same bytes as on one machine, whatever they see, and
whichever of them is killed."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from distributed import CancelledError, Client, KilledWorker

from barerail import cluster, working
from barerail.at_once import Work
from barerail.errors import DataError, UsageError
from barerail.scene import SceneCase, make, write
from barerail.screen import Board
from barerail.settings import SeriesSettings

PIPELINE = Path(working.__file__).parents[1]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(PIPELINE)}
WHOLE = """
[datum]
method = "given"
matrix = [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]
[export]
formats = ["csv"]
"""
BLIND = """
from barerail import working
working._unseen = lambda order: [*order.needs, order.job]
"""
"""What makes a worker see nothing of the paths that it is given."""
FREE = ("job.json", "lock")


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three scans of a short stretch of one car, and settings for them."""
    folder = tmp_path_factory.mktemp("scans")
    (folder / "whole.toml").write_text(WHOLE)
    for i in range(3):
        case = SceneCase(seed=101, scan_seed=i, small=True, spacing_mm=4.5, turned=False, patches=0, clutter=0,
                         one_sided=0, window_mm=(0.0, 250.0), edge_mm=0.0, weld_mm=0.0, uneven=1.0)  # fmt: skip
        write(make(case), folder / f"car{i}")
    return [folder / f"car{i}" / "scan.ply" for i in range(3)]


@pytest.fixture(scope="module")
def here(scans: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Their series as this machine alone makes it."""
    jobs = tmp_path_factory.mktemp("here") / "jobs"
    with series(scans, jobs) as run:
        _, said = run.communicate(timeout=120)
    assert run.returncode == 0, said
    return jobs


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Its address."""
    told = tmp_path_factory.mktemp("scheduler") / "scheduler.json"
    with started("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-show", "--no-dashboard", "--scheduler-file",
                 str(told)) as process:  # fmt: skip
        while not told.exists():
            assert process.poll() is None
            time.sleep(0.05)
        with Client(scheduler_file=str(told), set_as_default=False) as client:
            address = client.scheduler.address
        yield address
        process.kill()


def started(what: str, *options: str) -> subprocess.Popen:
    command = [sys.executable, "-m", f"distributed.cli.dask_{what}", *options]
    return subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def worker(scheduler: str, folder: Path, *options: str) -> subprocess.Popen:
    return started("worker", scheduler, "--no-nanny", "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1",
                   "--local-directory", str(folder), *options)  # fmt: skip


def series(scans: list[Path], jobs: Path, *options: str) -> subprocess.Popen:
    command = [sys.executable, "-m", "barerail", "series", *map(str, scans), "--jobs", str(jobs), "--unit", "mm",
               "--settings", str(scans[0].parents[1] / "whole.toml"), *options]  # fmt: skip
    return subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def child_of(process: subprocess.Popen, run: subprocess.Popen) -> "psutil.Process":
    """The first job that a worker is seen at work on."""
    while run.poll() is None:
        if found := psutil.Process(process.pid).children():
            return found[0]
        time.sleep(0.02)
    raise AssertionError(f"the worker had nothing to do: {run.communicate()}")


def held(jobs: Path) -> dict[str, bytes]:
    files = [path for path in sorted(jobs.rglob("*")) if path.is_file() and path.name not in FREE]
    return {path.relative_to(jobs).as_posix(): path.read_bytes() for path in files}


def test_a_scheduler_without_workers(scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "PATIENCE_S", 0.5)
    with pytest.raises(DataError, match="has no workers: start some with: dask worker"):
        with cluster.cluster(scheduler, tmp_path):
            pass


def test_the_same_bytes_as_on_one_machine_though_a_worker_is_killed(
    scheduler: str, scans: list[Path], here: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One worker sees the paths and is killed at work; one sees nothing and is sent bytes; one comes later."""
    jobs, preload = tmp_path / "jobs", tmp_path / "blind.py"
    preload.write_text(BLIND)
    blind = worker(scheduler, tmp_path / "b", "--preload", str(preload))
    killed = worker(scheduler, tmp_path / "a")
    late = None
    try:
        with series(scans, jobs, "--cluster", scheduler) as run:
            child = child_of(killed, run)
            killed.send_signal(signal.SIGKILL)
            late = worker(scheduler, tmp_path / "c")
            child.wait(30)
            out, said = run.communicate(timeout=120)
        assert run.returncode == 0, said
        assert "3 of 3 scans" in said and "Traceback" not in said and str(jobs / "series.csv") in out
        assert held(jobs) == held(here) and len(held(jobs)) == 60
        with series(scans[:1], jobs, "--cluster", scheduler) as again:
            _, said = again.communicate(timeout=120)
        assert "was done before; 1 of 1" in said and held(jobs) == held(here)
        other = {**working.made_by(), "numpy": "0.1"}
        monkeypatch.setattr(cluster, "made_by", lambda: other)
        with pytest.raises(UsageError, match=r"the worker tcp://.* has numpy .*, the series is made by numpy 0\.1"):
            with cluster.cluster(scheduler, tmp_path):
                pass
    finally:
        for process in filter(None, (blind, killed, late)):
            process.kill()
            process.wait()


def test_an_address_that_does_not_answer_and_a_missing_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "PATIENCE_S", 1.0)
    for address in ("tcp://127.0.0.1:1", "tls://127.0.0.1:1", "nonsense://somewhere"):
        with pytest.raises(UsageError, match="no Dask scheduler answers there: start one with: dask scheduler"):
            with cluster.cluster(address, tmp_path):
                pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install -e '.\[cluster\]'"):
        with cluster.cluster("tcp://127.0.0.1:1", tmp_path):
            pass


class Broken:
    """A client whose scheduler has no workers, or isn't there any more; what is given to it ends in `fault`."""

    def __init__(self, fault: Exception) -> None:
        self.fault = fault

    def submit(self, *given: object, **how: object) -> "Broken":
        return self

    def result(self, timeout: float) -> None:
        raise self.fault

    def scheduler_info(self, **how: object) -> dict:
        if isinstance(self.fault, OSError) and not isinstance(self.fault, TimeoutError):
            raise self.fault
        return {"workers": {}}


def test_a_scan_whose_workers_are_lost_fails_alone_and_a_broken_cluster_ends_the_series(tmp_path: Path) -> None:
    order = working.Order(tmp_path / "a.ply", tmp_path / "jobs" / "a")
    lost = cluster.Cluster(Broken(KilledWorker("a", None, 3)), "tcp://here:1", tmp_path / "sign").work(order)
    assert lost.code == 3 and "each worker that it was given to was lost" in lost.message
    for fault, told in ((TimeoutError(), "no worker is left"), (CancelledError(), "the scheduler went away")):
        with pytest.raises(DataError, match=f"--cluster tcp://here:1: {told}.* it goes on from there"):
            cluster.Cluster(Broken(fault), "tcp://here:1", tmp_path / "sign").work(order)
    with pytest.raises(DataError, match="the scheduler went away"):
        cluster.Cluster(Broken(OSError()), "tcp://here:1", tmp_path / "sign").machines()


def test_one_scan_goes_at_a_time_where_no_worker_is_seen_yet(tmp_path: Path) -> None:
    class Empty:
        def machines(self) -> list[working.Machine]:
            return []

        def work(self, order: working.Order) -> working.Ended:
            return working.Ended(0, peak_mb=100.0)

    orders = [working.Order(Path(f"{i}.ply"), tmp_path / str(i)) for i in range(3)]
    work = Work(Empty(), SeriesSettings(), Board(3, quiet=True))
    assert len(work.done(orders)) == 3 and work.most == 1


def test_a_worker_says_what_it_does_not_see(tmp_path: Path) -> None:
    scan, sign, job = tmp_path / "a.ply", tmp_path / "sign", tmp_path / "jobs" / "a"
    scan.write_bytes(b"abc")
    hash_of = {scan: working.files.sha256(scan)}
    order = working.Order(scan, job, needs=hash_of, sign=sign)
    assert working.work(order).unseen == (job,)
    scan.write_bytes(b"abd")
    assert working.work(order).unseen == (scan, job)
    other = working.Order(scan, job, needs=hash_of, made_by={"python": "2.7"})
    with pytest.raises(UsageError, match=r"the series is made by python 2\.7: install the same on both"):
        working.work(other)


def test_what_a_worker_sends_back_replaces_what_was_there(tmp_path: Path) -> None:
    job = tmp_path / "job"
    (job / "work").mkdir(parents=True)
    for name in ("job.json", "gone.csv", "same.csv", "work/lock"):
        (job / name).write_bytes(b"old")
    stood, sent = (job / "same.csv").stat().st_mtime_ns, list(job.rglob("*"))
    (job / "mine.txt").write_bytes(b"put there while the worker was at it")
    cluster._write({"job.json": b"new", "same.csv": b"old", "work/a.npz": b"a"}, job, sent)
    left = {"job/same.csv": b"old", "job/work/a.npz": b"a", "job/mine.txt": b"put there while the worker was at it"}
    assert held(tmp_path) == left
    assert (job / "job.json").read_bytes() == b"new" and (job / "same.csv").stat().st_mtime_ns == stood
    assert (job / "work" / "lock").exists()


def test_a_scheduler_that_goes_at_the_end_takes_no_result_with_it(tmp_path: Path) -> None:
    class Goes:
        left = 1

        def machines(self) -> list[working.Machine]:
            if not self.left:
                raise DataError("the scheduler went away")
            self.left -= 1
            return [working.Machine(2, 4000.0)]

        def work(self, order: working.Order) -> working.Ended:
            return working.Ended(0, peak_mb=100.0)

    work = Work(Goes(), SeriesSettings(), Board(1, quiet=True))
    assert [e.code for e in work.done([working.Order(Path("a.ply"), tmp_path / "a")])] == [0]
    assert work.told().startswith("memory: the largest scan took 100 MB, 1 at once at most")
