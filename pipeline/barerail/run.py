"""The method, a line a stage, and the run that keeps what each stage made in a job folder."""

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol, TypeVar

from barerail.errors import DataError, UsageError
from barerail.ledger import BUILT, COMMON, MEASURED, NAMES, PARTS, RECIPE, Enough, Ledger, Watch
from barerail.making import Finished, make
from barerail.records import (
    Check,
    CleanScan,
    CommonPoint,
    Construction,
    Datum,
    Features,
    Measured,
    MountPoints,
    Note,
    Progress,
    Scan,
    Straightness,
    Wanted,
    Written,
    no_progress,
)
from barerail.settings import ExportSettings, SectionSettings, Settings, TemplateSettings
from barerail.stages.check import check
from barerail.stages.clean import clean
from barerail.stages.construct import construct
from barerail.stages.datum import datum
from barerail.stages.fit import fit
from barerail.stages.join import join
from barerail.stages.points import points
from barerail.stages.straightness import straightness
from barerail.store import config, constructions, names, readers, tables
from barerail.store.job import Job, opened

T = TypeVar("T")
LAST = "report"
_GIVEN = (NAMES, COMMON, MEASURED, BUILT, RECIPE)


class Step(Protocol):
    """Does the work of a stage, or knows its result already."""

    def __call__(self, stage: str, do: Callable[[Progress], T]) -> T: ...


@dataclass(frozen=True)
class Result:
    """All that a scan was found to hold."""

    clean: CleanScan
    features: Features
    datum: Datum
    points: MountPoints
    straightness: Straightness
    check: Check


def at_once(stage: str, do: Callable[[Progress], T]) -> T:
    """The plain `Step`: does the work, keeps nothing."""
    return do(no_progress)


def process(
    scan: Scan,
    settings: Settings,
    wanted: Sequence[Wanted] = (),
    recipe: Mapping[str, Any] | None = None,
    step: Step = at_once,
    common: Sequence[CommonPoint] = (),
    measured: Sequence[Measured] = (),
    built: Sequence[Construction] | None = None,
) -> Result:
    """The method. Each stage takes the records before it and its own settings, and touches nothing else."""
    # Bring several scans into the first one's axes: as they lie, by common points, or by what both see.
    if len(scan.sources) > 1:
        read = scan
        scan = step("join", lambda progress: join(read, settings.join, common, progress))
    # Thin the scan for finding things, keep the way back to every point, label floor, stands and specks, measure noise.
    cleaned = step("clean", lambda progress: clean(scan, settings.clean, progress))
    # Find faces, tubes, holes, brackets and rail stations on the thinned scan; measure each on all of its points.
    features = step("fit", lambda progress: fit(cleaned, settings.fit, progress))
    # Set the car's axes: the mirror plane, the rails' undersides, front and up; or repeat a recipe.
    car = step("datum", lambda progress: datum(cleaned, features, settings.datum, recipe, progress))
    # Place every feature in the car, match left to right, and name them: the user's names first.
    labelled = shown = step("points", lambda progress: points(features, car, wanted, settings.points))
    # Add the points that the user builds from these, or types in, where there is a list of them.
    if built is not None:
        how = settings.constructions
        labelled = step("constructions", lambda progress: construct(shown, built, car, features.noise, how))
    # Compare the rails' heights and places at stations along the car: twist, diamond, sidesway.
    straight = step("straightness", lambda progress: straightness(features, car, settings.straightness, shown))
    # Judge lengths that were measured by hand against the points: until some agree, files say SCALE NOT CHECKED.
    checked = step("check", lambda progress: check(labelled, features.noise, measured, settings.check))
    return Result(cleaned, features, car, labelled, straight, checked)


@dataclass(frozen=True)
class Request:
    """What a command asks of a job: its scans, what to change in what the job remembers, and the last stage to do.

    changes: settings by dotted name. names: a names file. common: a table of points seen in several scans.
    measured: a table of lengths measured by hand. built: a list of constructed points. datum_from: another job's
    folder. asked: what the last stage is to do in this call only: fields of its settings; the job doesn't remember
    them.
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


@dataclass(frozen=True)
class Outcome:
    """The records by stage, as far as the run went, and the files to look at: a whole run's, or the last stage's."""

    records: Mapping[str, Any]
    files: tuple[Path, ...]


def run(request: Request, watch: Watch) -> Outcome:
    """Do, or find done, each stage of a job up to the one asked for; a stage's files are there when it ends.

    The job remembers the settings and files it was given once a stage has used them. UsageError and DataError as the
    stages raise them; what was done before stays.
    """
    if request.scans:
        readers.check(request.scans)
    settings_file = config.read(request.settings) if request.settings else None
    with opened(request.job, request.scans) as job:
        settings = config.changed(settings_file or job.settings, request.changes)
        given = _given(request)
        wanted, recipe = _wanted(given, request, watch), json.loads(given.get(RECIPE, b"null"))
        common = _common(given, request, [path.name for path in job.scans])
        measured = _measured(given, request)
        asked = config.asked(settings, request.until, request.asked)
        step = Ledger(job, settings, given, watch, request.until, asked)
        with suppress(Enough):
            scan = step("read", lambda progress: _read(job, settings))
            built = _built(given, request)
            result = process(scan, settings, wanted, recipe, step, common, measured, built)
            if isinstance(asked, TemplateSettings):
                step("template", lambda progress: _template(result, asked))
            if isinstance(asked, SectionSettings):
                step("section", lambda progress: _section(result, asked))
            if request.until in PARTS and asked is not None:
                part = asked
                finished = Finished(result.clean, result.features, _with_scale(result), result.points)
                step(request.until, lambda progress: make(finished, part))
            form = asked if isinstance(asked, ExportSettings) else settings.export
            if request.until == "export" and not result.points.points:
                raise DataError("there are no points to export: look at what barerail points left out and why")
            step("export", lambda progress: _export(result, form))
            step("report", lambda progress: _report(result, settings))
        job.remember(settings)
        told = step.records if request.until == LAST else [request.until]
        public = [name for stage in told for name in job.made(stage) if not name.startswith("work/")]
        return Outcome(step.records, tuple(job.folder / name for name in public))


def _given(request: Request) -> dict[str, bytes]:
    """The files that a user may give, by their place in the job: those given now, else the job's own copies."""
    found = {name: path.read_bytes() for name in _GIVEN if (path := request.job / name).exists()}
    if request.names:
        found[NAMES] = tables.raw(request.names, "names file")
    if request.common:
        found[COMMON] = tables.raw(request.common, "common points")
    if request.measured:
        found[MEASURED] = tables.raw(request.measured, "measured lengths")
    if request.built:
        found[BUILT] = tables.raw(request.built, "list of constructed points")
    if request.datum_from:
        found[RECIPE] = json.dumps(_recipe(request.datum_from), sort_keys=True).encode()
    return found


def _wanted(given: Mapping[str, bytes], request: Request, watch: Watch) -> tuple[Wanted, ...]:
    if NAMES not in given:
        return ()
    file = (request.names or Path(NAMES)).name
    watch.begin("names")
    wanted, left_out = names.parse(given[NAMES], file)
    lost = [Note("names", f"left out, no coordinates to look at: {', '.join(left_out)}", 1, True)] if left_out else []
    watch.end("names", f"{len(wanted)} names from {file}", lost)
    return wanted


def _common(given: Mapping[str, bytes], request: Request, scans: Sequence[str]) -> tuple[CommonPoint, ...]:
    file = (request.common or Path(COMMON)).name
    return tables.common_points(given[COMMON], file, scans) if COMMON in given else ()


def _measured(given: Mapping[str, bytes], request: Request) -> tuple[Measured, ...]:
    file = (request.measured or Path(MEASURED)).name
    return tables.measured(given[MEASURED], file) if MEASURED in given else ()


def _built(given: Mapping[str, bytes], request: Request) -> tuple[Construction, ...] | None:
    file = request.built.name if request.built else "the job's list (barerail construct LIST replaces it)"
    return constructions.constructions(given[BUILT], file) if BUILT in given else None


def _recipe(folder: Path) -> Any:
    try:
        return json.loads((folder / "datum.json").read_text("utf-8"))["recipe"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(f"--datum-from {folder}: no datum.json with a recipe: give a finished job's folder") from error


def _read(job: Job, settings: Settings) -> Scan:
    missing = [path.name for path in job.scans if not path.exists()]
    if missing:
        raise UsageError(
            f"{missing[0]} must be read again and isn't where it was: barerail clean SCAN --job {job.folder}"
        )
    return readers.read(job.scans, settings.read.unit, settings.read.scale)


def _with_scale(result: Result) -> Datum:
    """The datum with what hand measurements say of the scale, for the files that come after them."""
    from barerail.outputs.checks import scale_words

    return replace(result.datum, scale=scale_words(result.check))


def _export(result: Result, settings: ExportSettings) -> Written:
    from barerail.outputs.bundle import export

    return export(result.clean, result.features, _with_scale(result), result.points, settings)


def _template(result: Result, settings: TemplateSettings) -> Written:
    from barerail.outputs.template import template

    return template(result.clean, result.features, _with_scale(result), result.points, settings)


def _section(result: Result, settings: SectionSettings) -> Written:
    from barerail.outputs.section import section

    return section(result.clean, _with_scale(result), result.points, settings)


def _report(result: Result, settings: Settings) -> Written:
    from barerail.outputs.page import report_html

    title = ", ".join(source.name for source in result.clean.scan.sources)
    page = report_html(
        result.clean,
        result.features,
        _with_scale(result),
        result.points,
        result.straightness,
        settings.report,
        title,
        result.check,
    )
    return Written({"report.html": page})
