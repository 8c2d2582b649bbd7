"""A job for each of many scans, in processes of their own, and what their points say together."""

import csv
import io
import json
import os
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.ledger import Watch
from barerail.records import Car, Note, Series
from barerail.settings import SeriesSettings
from barerail.store import memory, tables

SAFE, SHARE_FREE = 1.25, 0.75
"""Memory kept for a scan over what the largest so far took, and the share of the free memory that is used."""


@dataclass(frozen=True)
class Task:
    """One scan and its job's folder; car and operator where they were said."""

    scan: Path
    job: Path
    car: str = ""
    operator: str = ""


@dataclass(frozen=True)
class Done:
    """How a scan's job ended. message: its error line; peak_mb: most memory it took."""

    task: Task
    code: int
    message: str
    seconds: float
    peak_mb: float


def tasks_of(scans: Sequence[Path], jobs: Path, who: Mapping[str, tuple[str, str]]) -> list[Task]:
    """A task a scan, its job's folder by the scan's name; UsageError where two would share one."""
    found: dict[str, Task] = {}
    for scan in scans:
        name = scan.stem if scan.stem != "scan" else f"{scan.parent.name}-{scan.stem}"
        if name in found:
            raise UsageError(f"series: {found[name].scan} and {scan} would share the job {jobs / name}: rename one")
        car, operator = who.get(scan.name, ("", ""))
        found[name] = Task(scan, jobs / name, car, operator)
    return list(found.values())


def run_all(
    tasks: Sequence[Task], options: Sequence[str], settings: SeriesSettings, watch: Watch
) -> tuple[list[Done], list[Note]]:
    """Every task's job done, as many at once as processors and memory allow; one that fails leaves the others alone.

    The first scan runs alone and shows how much memory one takes; later ones raise that figure. One at a time where the
    system doesn't say what is free. A job that is done already is not done again: its own records say so.
    """
    waiting, done = list(tasks), list[Done]()
    at_work: dict[subprocess.Popen[bytes], tuple[Task, float]] = {}
    budget = 1000 * settings.memory_gb if settings.memory_gb else SHARE_FREE * (memory.available() or 0) / 1e6
    most = settings.at_once or os.cpu_count() or 1
    peak = 0.0
    while waiting or at_work:
        room = 1 if peak == 0 else max(1, min(most, int(budget // (SAFE * peak))))
        while waiting and len(at_work) < room:
            task = waiting.pop(0)
            watch.begin(task.job.name)
            at_work[_started(task, options)] = (task, time.monotonic())
        ended, usage = _wait(at_work)
        task, began = at_work.pop(ended)
        result = Done(task, ended.returncode, _last_line(ended.returncode, task.job), time.monotonic() - began, usage)
        peak = max(peak, usage)
        done.append(result)
        watch.end(task.job.name, _told(result, len(done), len(tasks)))
    order = {task.job: i for i, task in enumerate(tasks)}
    told = Note(
        "series", f"memory: the largest scan took {peak:.0f} MB, {most} at once at most, {budget:.0f} MB in all"
    )
    return sorted(done, key=lambda d: order[d.task.job]), [told]


def _started(task: Task, options: Sequence[str]) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "barerail", "run", str(task.scan), "--job", str(task.job), "--quiet", *options]
    task.job.parent.mkdir(parents=True, exist_ok=True)
    with _log(task.job).open("wb") as out:
        return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=out)


def _wait(at_work: Mapping["subprocess.Popen[bytes]", tuple[Task, float]]) -> tuple["subprocess.Popen[bytes]", float]:
    """The first process to end, its return code set, and the most memory it took, MB."""
    while True:
        for process in at_work:
            pid, status, usage = os.wait4(process.pid, os.WNOHANG)
            if pid:
                process.returncode = os.waitstatus_to_exitcode(status)
                return process, usage.ru_maxrss / 1000
        time.sleep(0.05)


def _log(job: Path) -> Path:
    return job.with_name(f"{job.name}.log")


def _last_line(code: int, job: Path) -> str:
    lines = _log(job).read_text("utf-8", "replace").strip().splitlines()
    _log(job).unlink()
    if code < 0:
        return f"killed by signal {-code}: run the same command again, it goes on from there"
    return lines[-1].removeprefix("barerail: ") if lines and code else ""


def _told(done: Done, count: int, total: int) -> str:
    state = "done" if done.code == 0 else f"FAILED ({done.code}): {done.message}"
    return f"{state}, {done.peak_mb:.0f} MB; {count} of {total}"


def cars_of(done: Sequence[Done], names: Path | None) -> list[Car]:
    """The measured points of the jobs that ended well: those of the names file, or all where none was given.

    In the axes of the first one's datum.
    """
    from barerail.outputs.in_axes import car_in

    wanted = _names_in(names) if names else None
    found = []
    for d in done:
        if d.code == 0:
            document = json.loads((d.task.job / "points.json").read_text("utf-8"))
            mine = [
                p for p in document["points"] if p["state"] == "measured" and (wanted is None or p["name"] in wanted)
            ]
            if mine:
                found.append(_car(d.task, mine, document["axes"]["name"]))
    return [car_in(car, found[0].axes) for car in found]


def _car(task: Task, points: Sequence[Mapping[str, object]], axes: str) -> Car:
    def column(*keys: str) -> np.ndarray:
        return np.array([[np.nan if p[k] is None else p[k] for k in keys] for p in points], float)

    return Car(
        scan=task.job.name,
        names=tuple(str(p["name"]) for p in points),
        kinds=tuple(str(p["kind"]) for p in points),
        at=column("x_mm", "y_mm", "z_mm"),
        cov=np.array([p["covariance_mm2"] for p in points], float),
        diameter=column("diameter_mm")[:, 0],
        u_diameter=column("U_diameter_mm")[:, 0] / 2,
        car=task.car,
        operator=task.operator,
        axes=axes,
    )


def _names_in(names: Path) -> set[str]:
    """Names of a names file, and those of their partners on the other side."""
    text = tables.raw(names, "names file").decode("utf-8-sig", "replace")
    rows = [line for line in text.splitlines() if line.strip() and not line.lstrip(' "').startswith("#")]
    separator = next((mark for mark in ";\t" if rows and mark in rows[0]), ",")
    given = {row["name"].strip() for row in csv.DictReader(io.StringIO("\n".join(rows)), delimiter=separator)}
    other = {"-L": "-R", "-R": "-L"}
    return given | {n[:-2] + other[n[-2:]] for n in given if n[-2:] in other}


def written(series: Series, done: Sequence[Done], settings: SeriesSettings, jobs: Path) -> list[Path]:
    """series.csv, series.json and series.html beside the jobs."""
    from barerail.outputs.page_series import series_html
    from barerail.outputs.series import series_csv, series_json
    from barerail.store import files

    failed = failures(done)
    contents = {
        "series.csv": series_csv(series),
        "series.json": series_json(series, settings, failed),
        "series.html": series_html(series, settings, failed),
    }
    for name, content in contents.items():
        files.write(jobs / name, content)
    return [jobs / name for name in contents]


def failures(done: Sequence[Done]) -> dict[str, str]:
    """Scans that gave nothing, and why."""
    return {d.task.job.name: d.message for d in done if d.code}


def enough(done: Sequence[Done]) -> None:
    """DataError where no scan gave a result."""
    if all(d.code for d in done):
        raise DataError(f"series: none of {len(done)} scans gave points; the first: {done[0].message}")
