"""The method, a line a stage, and the run that keeps what each stage made in a job folder."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol, TypeVar

from barerail.asked import SectionSettings, TemplateSettings
from barerail.errors import DataError, UsageError
from barerail.given import LAST, Request, given_by, required, settled
from barerail.ledger import PARTS, Enough, Ledger, Watch
from barerail.making import Finished, make
from barerail.outputs import pick
from barerail.records import (
    Check,
    CleanScan,
    CommonPoint,
    Construction,
    Datum,
    Features,
    Measured,
    MountPoints,
    Progress,
    Scan,
    Straightness,
    Wanted,
    Written,
    no_progress,
)
from barerail.settings import ExportAsked, ExportSettings, Settings, other_way
from barerail.stages.check import check
from barerail.stages.clean import clean
from barerail.stages.construct import construct
from barerail.stages.datum import datum
from barerail.stages.fit import fit
from barerail.stages.join import join
from barerail.stages.points import points
from barerail.stages.straightness import straightness
from barerail.store import config, readers
from barerail.store.job import Job, opened

T = TypeVar("T")


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
    earlier: Callable[[Datum], Sequence[Wanted]] = lambda car: (),
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
    # Place every feature in the car, match left to right, and name them: the user's names, then those from before.
    labelled = shown = step("points", lambda progress: _points(features, car, wanted, settings, earlier))
    # Add the points that the user builds from these, or types in, where there is a list of them.
    if built is not None:
        how = settings.constructions
        labelled = step("constructions", lambda progress: construct(shown, built, car, features.noise, how))
    # Compare the rails' heights and places at stations along the car: twist, diamond, sidesway.
    straight = step("straightness", lambda progress: _straightness(features, car, shown, settings))
    # Judge lengths that were measured by hand against the points: until some agree, files say SCALE NOT CHECKED.
    checked = step("check", lambda progress: check(labelled, features.noise, measured, settings.check))
    return Result(cleaned, features, car, labelled, straight, checked)


def _points(
    features: Features,
    car: Datum,
    wanted: Sequence[Wanted],
    settings: Settings,
    earlier: Callable[[Datum], Sequence[Wanted]],
) -> MountPoints:
    from barerail.outputs.in_axes import forward, points_in

    ahead = forward(car)
    return points_in(points(features, ahead, wanted, settings.points, earlier(ahead)), car)


def _straightness(features: Features, car: Datum, labelled: MountPoints, settings: Settings) -> Straightness:
    from barerail.outputs.in_axes import forward, points_forward, straightness_in

    asked = settings.straightness
    if car.axes == "iso4130":
        asked = asked.model_copy(update={"reference": other_way(asked.reference)})
    return straightness_in(straightness(features, forward(car), asked, points_forward(labelled, car)), car)


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
    file = config.read(request.settings) if request.settings else None
    with opened(request.job, request.scans) as job:
        settings, options = settled(request, file, job, watch)
        given = given_by(request, settings, job, watch)
        asked = config.asked(settings, request.until, request.asked)
        rules = pick.rules_of(settings.only, request.only or pick.ALL)
        if request.only and isinstance(asked, ExportSettings):
            asked = ExportAsked(**asked.model_dump(), only=request.only, rules=rules)
        step = Ledger(job, settings, given.files, watch, request.until, asked, options)
        with suppress(Enough):
            scan = step("read", lambda progress: _read(job, settings))
            result = process(
                scan,
                settings,
                given.wanted,
                given.recipe,
                step,
                given.common,
                given.measured,
                given.earlier,
                given.built,
            )
            if isinstance(asked, TemplateSettings):
                step("template", lambda progress: _template(result, asked))
            if isinstance(asked, SectionSettings):
                step("section", lambda progress: _section(result, asked))
            if request.until == "sheets":
                step("sheets", lambda progress: _sheets(result, settings))
            if request.until in PARTS and asked is not None:
                part = asked
                finished = Finished(result.clean, result.features, _with_scale(result), result.points)
                step(request.until, lambda progress: make(finished, part))
            form = asked if isinstance(asked, ExportSettings) else settings.export
            if request.until == "export" and not result.points.points:
                raise DataError("there are no points to export: look at what barerail points left out and why")
            step("export", lambda progress: _export(result, form))
            step("report", lambda progress: _report(result, settings))
        job.remember(settings, options)
        if request.require:
            required(step.records["points"])
        told = step.records if request.until == LAST else [request.until]
        public = [name for stage in told for name in job.made(stage) if not name.startswith("work/")]
        shown = dict(step.records)
        if request.only and request.until == "points":
            shown["points"] = pick.picked(shown["points"], rules)
        return Outcome(shown, tuple(job.folder / name for name in public))


def _read(job: Job, settings: Settings) -> Scan:
    missing = [path.name for path in job.scans if not path.exists()]
    if missing:
        raise UsageError(
            f"{missing[0]} must be read again and isn't where it was: barerail clean SCAN --job {job.folder}"
        )
    return readers.read(job.scans, settings.read.unit, settings.read.scale, settings.read.thin_mm)


def _with_scale(result: Result) -> Datum:
    """The datum with what hand measurements say of the scale, for the files that come after them."""
    from barerail.outputs.checks import scale_words

    return replace(result.datum, scale=scale_words(result.check))


def _export(result: Result, settings: ExportSettings) -> Written:
    from barerail.outputs.bundle import export

    chosen, only = result.points, ""
    if isinstance(settings, ExportAsked):
        chosen, only = pick.picked(chosen, settings.rules), settings.only
        if not chosen.points:
            raise DataError(f"--only {only}: no point is in that list; barerail config prints what it takes")
    return export(result.clean, result.features, _with_scale(result), chosen, settings, only)


def _template(result: Result, settings: TemplateSettings) -> Written:
    from barerail.outputs.template import template

    return template(result.clean, result.features, _with_scale(result), result.points, settings)


def _section(result: Result, settings: SectionSettings) -> Written:
    from barerail.outputs.section import section

    return section(result.clean, _with_scale(result), result.points, settings)


def _sheets(result: Result, settings: Settings) -> Written:
    from barerail.outputs.sheets import sheets

    title = ", ".join(source.name for source in result.clean.scan.sources)
    datum = _with_scale(result)
    return sheets(result.clean, datum, result.points, result.straightness, settings.sheets, title)


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
