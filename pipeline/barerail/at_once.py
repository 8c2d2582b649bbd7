"""Many scans' jobs at once, as many as processors and memory allow, here or on a cluster."""

import os
import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import replace
from math import ceil
from typing import Protocol

from barerail.settings import SeriesSettings
from barerail.store import memory
from barerail.working import Ended, Machine, Order, work

SAFE, SHARE_FREE = 1.25, 0.75
"""Memory kept for a scan over what the largest so far took, and the share of the free memory that is used."""


class Place(Protocol):
    """Where orders are done."""

    def machines(self) -> list[Machine]:
        """Those that there are now."""

    def work(self, order: Order) -> Ended:
        """An order done; returns when it is."""


class Here:
    """This machine."""

    def __init__(self) -> None:
        self.own = Machine(os.cpu_count() or 1, (memory.available() or 0) / 1e6)

    def machines(self) -> list[Machine]:
        return [self.own]

    def work(self, order: Order) -> Ended:
        return work(order)


class Watcher(Protocol):
    """Is told which scans are at work."""

    def begin(self, name: str) -> None:
        """A scan's job begins."""

    def end(self, name: str, ended: Ended) -> None:
        """It ended."""


class Work:
    """Orders done in a place; what they took is known from one call to the next."""

    def __init__(self, place: Place, settings: SeriesSettings, watcher: Watcher) -> None:
        self.place, self.settings, self.watcher = place, settings, watcher
        self.peak_mb, self.most = 0.0, 1
        self.seen: list[Machine] = []

    def done(self, orders: Sequence[Order]) -> list[Ended]:
        """How each order ended: one that fails leaves the others alone.

        The first, of those that were never begun the largest file, runs alone and shows how much memory one takes;
        later ones raise that figure. A job that is done already is not done again, and shows nothing. One at a time
        where the system doesn't say what is free. Errors of the place itself as it raises them.
        """
        waiting = sorted(range(len(orders)), key=lambda i: _before(orders[i]))
        at_work: dict[Future[Ended], int] = {}
        ended: dict[int, Ended] = {}
        while waiting or at_work:
            machines = self.seen = self.place.machines()
            room = _room(machines, self.peak_mb, self.settings)
            for i in waiting[: max(0, room - len(at_work))]:
                waiting.remove(i)
                self.watcher.begin(orders[i].job.name)
                order = replace(orders[i], among=ceil(room / max(1, len(machines))))
                at_work[_started(self.place.work, order)] = i
            self.most = max(self.most, len(at_work))
            for future in wait(at_work, return_when=FIRST_COMPLETED).done:
                i = at_work.pop(future)
                ended[i] = future.result()
                self.peak_mb = max(self.peak_mb, 0.0 if ended[i].idle or ended[i].code else ended[i].peak_mb)
                self.watcher.end(orders[i].job.name, ended[i])
        return [ended[i] for i in range(len(orders))]

    def told(self) -> str:
        """What memory they took, and may take on the machines last seen, which need not be there any more."""
        machines = self.seen or self.place.machines()
        budget = ", ".join(f"{_budget(m, self.settings):.0f} MB" for m in machines)
        where = f" on {len(machines)} machines" if len(machines) > 1 else ""
        took = f"the largest scan took {self.peak_mb:.0f} MB" if self.peak_mb else "nothing was left to do"
        return f"memory: {took}, {self.most} at once at most, within {budget}{where}"


def _before(order: Order) -> tuple[bool, int]:
    """Sorts orders: those that were never begun first, then by the scan's size."""
    return order.job.exists(), -order.scan.stat().st_size if order.scan.is_file() else 0


def _started(do: Callable[[Order], Ended], order: Order) -> "Future[Ended]":
    """A thread that waits for it: it dies with this program, which must not wait for it when it is stopped."""
    future: Future[Ended] = Future()

    def wait_for_it() -> None:
        try:
            future.set_result(do(order))
        except BaseException as error:
            future.set_exception(error)

    threading.Thread(target=wait_for_it, daemon=True).start()
    return future


def _budget(machine: Machine, settings: SeriesSettings) -> float:
    return 1000 * settings.memory_gb if settings.memory_gb else SHARE_FREE * machine.free_mb


def _room(machines: Iterable[Machine], peak: float, settings: SeriesSettings) -> int:
    if peak == 0:
        return 1
    fit = (min(settings.at_once or m.threads, int(_budget(m, settings) // (SAFE * peak))) for m in machines)
    return max(1, sum(max(1, count) for count in fit))
