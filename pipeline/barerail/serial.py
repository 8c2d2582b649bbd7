"""A job for each of many scans, and what their points say together."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from barerail.at_once import Work
from barerail.errors import DataError, UsageError
from barerail.records import FACED, Array, Car, Note, Series
from barerail.settings import DatumSettings, SeriesSettings
from barerail.store import tables
from barerail.working import Order

REACH_MM = 15.0
"""How far an automatic name's point may lie from the first car's: as for a names file."""
EXTENDED = ("rail", "tube")
"""Kinds whose point moves with what was seen of them."""


@dataclass(frozen=True)
class Task:
    """One scan and its job's folder; car and operator where they were said."""

    scan: Path
    job: Path
    car: str = ""
    operator: str = ""


@dataclass(frozen=True)
class Done:
    """How a scan's job ended. message: its error line."""

    task: Task
    code: int
    message: str


def tasks_of(scans: Sequence[Path], jobs: Path, who: Mapping[str, tuple[str, str]]) -> list[Task]:
    """A task a scan, its job's folder by the scan's name; who: car and operator by a scan's path or file name.

    UsageError where two would share a folder, and for a scan in `who` that isn't there.
    """
    found: dict[str, Task] = {}
    for scan in scans:
        name = scan.stem if scan.stem != "scan" else f"{scan.parent.name}-{scan.stem}"
        if name in found:
            raise UsageError(f"series: {found[name].scan} and {scan} would share the job {jobs / name}: rename one")
        car, operator = who.get(str(scan), who.get(scan.name, ("", "")))
        found[name] = Task(scan, jobs / name, car, operator)
    known = {part for scan in scans for part in (str(scan), scan.name)}
    if lost := [scan for scan in who if scan not in known]:
        raise UsageError(f"series: --cars tells of {lost[0]}, which isn't one of the scans")
    return list(found.values())


def run_all(tasks: Sequence[Task], options: Sequence[tuple[str, Path | str]], lead: bool, work: Work) -> list[Done]:
    """Every task's job done. lead: the first that ends well sets the datum, and the names, of those after it."""
    done: list[Done] = []
    while lead and len(done) < len(tasks) and not (done and done[-1].code == 0):
        done += _done(tasks[len(done) : len(done) + 1], options, work)
    if lead:
        options = [*options, ("--datum-from", done[-1].task.job)]
    return done + _done(tasks[len(done) :], options, work)


def _done(tasks: Sequence[Task], options: Sequence[tuple[str, Path | str]], work: Work) -> list[Done]:
    ended = work.done([Order(task.scan, task.job, tuple(options)) for task in tasks])
    return [Done(task, e.code, e.message) for task, e in zip(tasks, ended)]


def lead_is_wanted(settings: DatumSettings) -> bool:
    """Whether each scan would set a datum of its own: then x = 0 need not be the same hole on two of them."""
    return settings.method == "symmetry" and not (settings.origin or settings.reference)


def cars_of(done: Sequence[Done], names: Path | None) -> tuple[list[Car], list[Note]]:
    """The measured points of the jobs that ended well: those of the names file, or all where none was given; and what
    of them was left out as another place than the first car's of that name.

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
                found.append(car_of(d.task, mine, document["axes"]["name"]))
    return alike([car_in(car, found[0].axes) for car in found], automatic=wanted is None)


def alike(cars: Sequence[Car], automatic: bool) -> tuple[list[Car], list[Note]]:
    """The cars without points that face the other way than the first car's of that name, the other face of a sheet; or,
    where the names are automatic, that lie out of its reach."""
    first: dict[str, tuple[Array, Array]] = {}
    kept, lost = [], list[str]()
    for car in cars:
        rows = []
        for i, name in enumerate(car.names):
            at, axis = first.setdefault(name, (car.at[i], car.axis[i]))
            far = automatic and car.kinds[i] not in EXTENDED and np.linalg.norm(car.at[i] - at) > REACH_MM
            turned = car.kinds[i] in FACED and axis @ car.axis[i] < 0
            if far or turned:
                lost.append(f"{name} of {car.scan}")
            else:
                rows.append(i)
        kept.append(car.picked(rows))
    told = f"left out, another place or the other face of what the first car has by that name: {', '.join(lost)}"
    return kept, [Note("series", told, len(lost), warning=True)] if lost else []


def car_of(task: Task, points: Sequence[Mapping[str, object]], axes: str) -> Car:
    """What points.json says of these points of a job, as a car of the series."""

    def column(*keys: str) -> np.ndarray:
        return np.array([[np.nan if p.get(k) is None else p[k] for k in keys] for p in points], float)

    return Car(
        scan=task.job.name,
        names=tuple(str(p["name"]) for p in points),
        kinds=tuple(str(p["kind"]) for p in points),
        at=column("x_mm", "y_mm", "z_mm"),
        cov=np.array([p["covariance_mm2"] for p in points], float),
        diameter=np.where([_unseen(p) for p in points], np.nan, column("diameter_mm")[:, 0]),
        u_diameter=column("U_diameter_mm")[:, 0] / 2,
        car=task.car,
        operator=task.operator,
        axis=column("axis_x", "axis_y", "axis_z"),
        axes=axes,
    )


def _unseen(point: Mapping[str, Any]) -> bool:
    """Whether its diameter is a sleeve's outside, no bore having been seen."""
    return bool(point.get("detail", {}).get("bore_seen") == 0)


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
