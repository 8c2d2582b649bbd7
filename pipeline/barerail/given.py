"""What a command asks of a job, and the files that a user may give: names, common points, lengths, an earlier job."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import invert, transform
from barerail.ledger import BUILT, COMMON, EARLIER, MEASURED, NAMES, RECIPE, USERS, Watch
from barerail.records import Array, CommonPoint, Construction, Datum, Measured, MountPoints, Note, Wanted
from barerail.settings import DatumSettings, Settings
from barerail.stages.datum import OWN, names_in
from barerail.store import config, constructions, named, names, tables, work
from barerail.store.job import Job

LAST = "report"
MOVED_MM = 2.0


@dataclass(frozen=True)
class Request:
    """What a command asks of a job: its scans, what to change in what the job remembers, and the last stage to do.

    changes: settings by dotted name. names: a names file. common: a table of points seen in several scans.
    measured: a table of lengths measured by hand. built: a list of constructed points. datum_from: another job's
    folder. asked: what the last stage is to do in this call only: fields of its settings; the job doesn't remember
    them. require: every name of the names file must be found. only: a pick list, for what is shown or exported.
    """

    job: Path
    scans: tuple[Path, ...] = ()
    until: str = LAST
    settings: Path | None = None
    changes: Mapping[str, Any] = field(default_factory=dict)
    names: Path | None = None
    common: Path | None = None
    measured: Path | None = None
    built: Path | None = None
    datum_from: Path | None = None
    asked: Mapping[str, Any] | None = None
    require: bool = False
    only: str = ""


@dataclass(frozen=True)
class Own:
    """Names that the job's own points had until now, less those a names file gave, and where its datum was."""

    names: tuple[Wanted, ...]
    car_from_scan: Array

    def still(self, car: Datum) -> tuple[Wanted, ...]:
        """The names, unless the datum has moved: then they would say other places than they stand at."""
        if not self.names:
            return ()
        at = np.array([w.position for w in self.names])
        moved = transform(car.car_from_scan @ invert(self.car_from_scan), at) - at
        return self.names if np.linalg.norm(moved, axis=1).max() <= MOVED_MM else ()


@dataclass(frozen=True)
class Given:
    """What the files say; `files` by their place in the job. recipe: the datum of an earlier job.

    earlier: names for points of the datum found, from an earlier job or from this one before.
    """

    files: Mapping[str, bytes]
    wanted: tuple[Wanted, ...]
    earlier: Callable[[Datum], tuple[Wanted, ...]]
    recipe: Mapping[str, Any] | None
    common: tuple[CommonPoint, ...]
    measured: tuple[Measured, ...]
    built: tuple[Construction, ...] | None


def given_by(request: Request, settings: Settings, job: Job, watch: Watch) -> Given:
    """The files given now, else the job's own copies, read; UsageError for what isn't plain."""
    files = _with_places(_files(request), request, settings, watch)
    for option, used in (("--require", request.require), ("--mirror", settings.points.mirror != "none")):
        if used and NAMES not in files:
            raise UsageError(f"{option} is about the points that a names file names: give one with --names FILE")
    common, measured = (
        (path or Path(own)).name for path, own in ((request.common, COMMON), (request.measured, MEASURED))
    )
    return Given(
        files,
        _wanted(files, request, watch, settings.datum.axes),
        _earlier(files, job, settings),
        json.loads(files.get(RECIPE, b"null")),
        tables.common_points(files[COMMON], common, [path.name for path in job.scans]) if COMMON in files else (),
        tables.measured(files[MEASURED], measured) if MEASURED in files else (),
        _built(files, request),
    )


def settled(request: Request, file: Settings | None, job: Job, watch: Watch) -> tuple[Settings, dict[str, Any]]:
    """The settings in force, and those of them that options of commands set, now or before, by dotted name.

    A settings file replaces all but these; of these, those that it sets itself. The way of setting the datum is one
    thing with its axes, in which its coordinates count: a file that sets some of it replaces the whole.
    """
    gone = forgotten(request)
    kept = {name: value for name, value in job.options.items() if name not in gone}
    if file:
        own = {f"{part}.{key}" for part in type(file).model_fields for key in getattr(file, part).model_fields_set}
        way = {f"datum.{key}" for key in (*OWN, "axes")}
        if own & way or request.datum_from or "datum.method" in request.changes:
            own |= way
        given = {name: value for name, value in kept.items() if name not in request.changes}
        kept = {name: value for name, value in given.items() if name not in own}
        _tell(request, kept, sorted(set(given) - set(kept)), watch)
        gone = kept
    return config.changed(file or job.settings, {**gone, **request.changes}), {**kept, **request.changes}


def _tell(request: Request, kept: Mapping[str, Any], dropped: Sequence[str], watch: Watch) -> None:
    """One line on what options set before: what stays, and what the file took the place of."""
    stays = ", ".join(f"{name} = {json.dumps(value)}" for name, value in kept.items())
    gone = ", ".join(dropped)
    told = [stays and f"kept from options given before: {stays}", gone and f"no longer: {gone}"]
    if request.settings and (kept or dropped):
        watch.begin("settings")
        watch.end("settings", "; ".join(filter(None, [request.settings.name, *told])))


def forgotten(request: Request) -> dict[str, Any]:
    """A way of setting the datum that is named now, or another job's, starts without what the job remembers of one."""
    if request.settings or not (request.datum_from or "datum.method" in request.changes):
        return {}
    keys = (*OWN, "axes") if request.datum_from else OWN
    return {f"datum.{key}": getattr(DatumSettings(), key) for key in keys}


def _with_places(files: dict[str, bytes], request: Request, settings: Settings, watch: Watch) -> dict[str, bytes]:
    """`files`, with the places of the names in [datum] in its recipe."""
    wanted = names_in(settings.datum)
    kept = json.loads(files.get(RECIPE, b"{}"))
    pinned = kept.pop("named", {})
    if wanted:
        kept["named"], notes = named.places_of(request.job, wanted, pinned)
        watch.begin("names")
        watch.end("names", f"{len(wanted)} in [datum]", notes)
    rest = {name: content for name, content in files.items() if name != RECIPE}
    return {**rest, RECIPE: json.dumps(kept, sort_keys=True).encode()} if kept else rest


def required(found: MountPoints) -> None:
    """DataError where a name of the names file has no feature; what was written stays."""
    lost = [f"{p.name} ({p.note})" for p in found.points if p.state == "missing"]
    if lost:
        raise DataError(f"--require: not found in the scan: {'; '.join(lost)}")


def _files(request: Request) -> dict[str, bytes]:
    found = {name: path.read_bytes() for name in USERS if (path := request.job / name).exists()}
    if "datum.method" in request.changes and RECIPE in found:
        found[RECIPE] = json.dumps({"named": json.loads(found[RECIPE]).get("named", {})}).encode()
    for name, given, what in (
        (NAMES, request.names, "names file"),
        (COMMON, request.common, "common points"),
        (MEASURED, request.measured, "measured lengths"),
        (BUILT, request.built, "list of constructed points"),
    ):
        if given:
            found[name] = tables.raw(given, what)
    if request.datum_from:
        found[RECIPE] = json.dumps(_recipe(request.datum_from), sort_keys=True).encode()
        found.pop(EARLIER, None)
        if (earlier := request.datum_from / "points.csv").exists():
            found[EARLIER] = tables.raw(earlier, "points of the earlier job")
    return found


def _earlier(files: Mapping[str, bytes], job: Job, settings: Settings) -> Callable[[Datum], tuple[Wanted, ...]]:
    if EARLIER in files:
        taken = names.parse(files[EARLIER], "the earlier job's points.csv").wanted
        return lambda car: taken
    if job.settings.points.zone_mm != settings.points.zone_mm:
        return lambda car: ()
    from barerail.outputs.in_axes import forward, points_forward

    try:
        datum, points = work.load(job.folder, "datum"), work.load(job.folder, "points")
    except (OSError, DataError):
        return lambda car: ()
    old = job.folder / NAMES
    users = {w.name[:-2] for w in names.parse(old.read_bytes(), NAMES).wanted} if old.exists() else set()
    points, datum = points_forward(points, datum), forward(datum)
    own = [p for p in points.points if p.state == "measured" and p.name[:-2] not in users]
    at = (Wanted(i, p.name, p.kind, tuple(p.position.tolist()), tubes=p.tubes) for i, p in enumerate(own))
    return Own(tuple(at), datum.car_from_scan).still


def _wanted(files: Mapping[str, bytes], request: Request, watch: Watch, axes: str) -> tuple[Wanted, ...]:
    if NAMES not in files:
        return ()
    file = (request.names or Path(NAMES)).name
    watch.begin("names")
    wanted, left_out = names.parse(files[NAMES], file, axes)
    lost = [Note("names", f"left out, no coordinates to look at: {', '.join(left_out)}", 1, True)] if left_out else []
    watch.end("names", f"{len(wanted)} names from {file}", lost)
    return wanted


def _built(files: Mapping[str, bytes], request: Request) -> tuple[Construction, ...] | None:
    file = request.built.name if request.built else "the job's list (barerail construct LIST replaces it)"
    return constructions.constructions(files[BUILT], file) if BUILT in files else None


def _recipe(folder: Path) -> Any:
    try:
        return json.loads((folder / "datum.json").read_text("utf-8"))["recipe"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(f"--datum-from {folder}: no datum.json with a recipe: give a finished job's folder") from error
