"""The workers of a Dask scheduler, as a place where the jobs of a series are done."""

import logging
import secrets
import warnings
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from barerail.errors import DataError, UsageError
from barerail.store import files, memory
from barerail.working import Ended, Machine, Order, difference, made_by, work

if TYPE_CHECKING:
    from distributed import Client

PATIENCE_S, LOST_S = 10.0, 60.0
"""For a scheduler to answer, and for its first worker; how often one without a result is asked whether any is left."""
DATUM = ("datum.json", "points.csv")
"""What a job needs of the one whose datum it repeats."""
GONE = "the scheduler went away: start it again, then"
_SCHEDULER = "start one with: dask scheduler, and give --cluster the address that it prints"


@contextmanager
def cluster(address: str, jobs: Path) -> Iterator["Cluster"]:
    """The workers that a scheduler has, for jobs in the folder `jobs`.

    UsageError: the extra isn't installed, nobody answers, a worker would make results by other code. DataError: no
    worker.
    """
    client = _client(address)
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError as error:
            told = f"--cluster {address}: the scheduler has no workers: start some with: dask worker {address}"
            raise DataError(told) from error
        _check_code(client, address)
        sign = jobs.resolve() / f".seen-{secrets.token_hex(8)}"
        files.write(sign, b"")
        try:
            yield Cluster(client, address, sign)
        finally:
            sign.unlink(missing_ok=True)


def _client(address: str) -> "Client":
    try:
        from distributed import Client
    except ImportError as error:
        told = "--cluster needs Dask, which isn't installed here: pip install -e '.[cluster]'"
        raise UsageError(told) from error
    # What Dask has to say of lost workers and large tasks is said here in the words of this program.
    for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    warnings.filterwarnings("ignore", module="distributed")
    try:
        return Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(f"--cluster {address}: no Dask scheduler answers there: {_SCHEDULER}") from error


def _check_code(client: "Client", address: str) -> None:
    """UsageError for the first worker that has other code or libraries than are here, or none; the scheduler, which
    passes orders on, must have them too."""
    told = {f"the worker {w}": t for w, t in client.run(difference, made_by(), on_error="return").items()}
    try:
        told[f"the scheduler {address}"] = client.run_on_scheduler(difference, made_by())
    except Exception as error:
        told[f"the scheduler {address}"] = error
    for who, what in told.items():
        if isinstance(what, Exception):
            what = "has no barerail, or an older one: install the same as here"
        if what:
            raise UsageError(f"--cluster: {who} {what}")


class Cluster:
    """Does orders on the workers of a scheduler. One that doesn't see the files is sent them; the work of a lost one is
    given to others by the scheduler, three times at most for one scan (its `allowed-failures`)."""

    def __init__(self, client: "Client", address: str, sign: Path) -> None:
        self.client, self.address, self.sign = client, address, sign
        self.free: dict[str, float] = {}

    def machines(self) -> list[Machine]:
        """Each host's threads, all its workers together, and the memory that was free when its first one was seen."""
        try:
            workers = self.client.scheduler_info(n_workers=-1)["workers"]
            hosts = {worker["host"]: address for address, worker in workers.items()}
            new = {address: host for host, address in hosts.items() if host not in self.free}
            told = self.client.run(memory.available, workers=list(new), on_error="return") if new else {}
        except OSError as error:
            raise self._broken(GONE) from error
        self.free |= {new[a]: free / 1e6 for a, free in told.items() if isinstance(free, int)}
        threads = {host: sum(w["nthreads"] for w in workers.values() if w["host"] == host) for host in hosts}
        return [Machine(count, self.free.get(host, 0.0)) for host, count in threads.items()]

    def work(self, order: Order) -> Ended:
        """The order done by some worker; what it sends back is written here. DataError where all of them are lost."""
        from distributed import KilledWorker

        order = _told(replace(order, sign=self.sign, made_by=made_by()))
        try:
            ended = self._result(order)
            while ended.unseen:
                order = replace(order, carried={**order.carried, **_content(ended.unseen, order.job)})
                ended = self._result(order)
        except KilledWorker:
            lost = "each worker that it was given to was lost: run the same command again, or look at their memory"
            return Ended(DataError.exit_code, lost)
        if ended.files is not None:
            _write(ended.files, order.job, order.carried)
        return replace(ended, files=None)

    def _result(self, order: Order) -> Ended:
        from distributed import CancelledError

        future = self.client.submit(work, order, pure=False)
        try:
            while True:
                try:
                    return future.result(timeout=LOST_S)
                except TimeoutError as error:
                    if not self.machines():
                        raise self._broken("no worker is left: start some, then") from error
        except CancelledError as error:
            raise self._broken(GONE) from error

    def _broken(self, why: str) -> DataError:
        return DataError(f"--cluster {self.address}: {why} run the same command again, it goes on from there")


def _told(order: Order) -> Order:
    """The order with paths as they are from anywhere on this machine, and the hashes of the files it needs."""
    options = tuple((o, value.resolve() if isinstance(value, Path) else value) for o, value in order.options)
    order = replace(order, scan=order.scan.resolve(), job=order.job.resolve(), options=options)
    given = [value for _, value in options if isinstance(value, Path)]
    inside = [path / name for path in given for name in DATUM if (path / name).is_file()]
    needs = [order.scan, *(path for path in given if path.is_file()), *inside]
    return replace(order, needs={path: files.sha256(path) for path in needs if path.is_file()})


def _content(unseen: Sequence[Path], job: Path) -> dict[Path, bytes]:
    """Bytes by path of files that a worker doesn't see; a job's folder as the files that it holds by now."""
    held = [path for path in job.rglob("*") if path.is_file()] if job in unseen else []
    return {job: b"", **{path: path.read_bytes() for path in [*unseen, *held] if path != job}}


def _write(made: Mapping[str, bytes], job: Path, sent: Collection[Path]) -> None:
    """Make a job's folder hold these files and, of those that were sent to the worker, no others: what came into it
    since is somebody else's. What gives way goes first, and its record comes first, so that a job written by half is
    one whose last stages are to be done again."""
    held = {p.relative_to(job).as_posix(): p for p in job.rglob("*") if p.is_file() and p.name != "lock"}
    for name, path in held.items():
        if path.read_bytes() != made[name] if name in made else path in sent:
            path.unlink()
    for name in sorted(made, key=lambda name: name != "job.json"):
        if not (job / name).exists():
            files.write(job / name, made[name])
