"""A later job compared with an earlier one, kept in the later one's folder."""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from barerail.asked import CompareSettings
from barerail.errors import DataError, UsageError
from barerail.geometry.frames import direction
from barerail.given import Request
from barerail.ledger import BEFORE, Enough, Ledger, Watch
from barerail.outputs.in_axes import forward, moves_in, points_forward, points_in, rearward
from barerail.records import CHASSIS, CleanScan, Datum, MountPoints, Moves, Wanted, Written
from barerail.run import Outcome, run
from barerail.settings import PointsSettings, ReportSettings, Settings, StraightnessSettings, other_way
from barerail.stages.compare import Earlier, against, compare, laid, later_car
from barerail.stages.points import points
from barerail.store import names, tables
from barerail.store.job import Job, opened

RESTS_ON = ("clean", "fit", "datum", "points")


def compare_jobs(before: Path, after: Path, asked: CompareSettings, watch: Watch) -> Outcome:
    """What moved from the job `before` to the job `after`, as files in compare/ of the latter.

    Both jobs are brought up to date first, as far as it takes. The later one needs no datum of its own: a partial
    rescan is laid on the earlier one by its surface. UsageError and DataError as the stages raise them.
    """
    if before.is_file():
        return _drawing(before, after, asked, watch)
    if before.resolve() == after.resolve():
        raise UsageError(f"compare: {before} with itself: give the earlier job's folder and the later one's")
    first = run(Request(before, until="points"), watch).records
    second = _later(after, watch)
    with opened(after) as job, opened(before) as known:
        given = {BEFORE: _identity(known.inputs, {s: known.outputs(s) for s in RESTS_ON})}
        asked = as_stood(asked, known.settings.straightness, job.settings.straightness)
        names = [_names(r["clean"].scan) for r in (first, second)]
        title = " → ".join(names if names[0] != names[1] else told_apart(before, after))
        return _kept(job, asked, given, watch, lambda: _compared(first, second, asked, job.settings, given, title))


def _drawing(drawing: Path, after: Path, asked: CompareSettings, watch: Watch) -> Outcome:
    """The job's named points against their places in a names file, in the axes that the file counts in."""
    data = tables.raw(drawing, "drawing")
    second = run(Request(after, until="points"), watch).records
    own = second["datum"].axes
    wanted, axes = names.parse(data, drawing.name, own).wanted, names.axes_of(data, drawing.name, own)

    def work(asked: CompareSettings) -> Written:
        moves, car = against_drawing(wanted, second, asked)
        car = replace(car if axes == "iso8855" else rearward(car), origin=f"that of {drawing.name}")
        title = f"{drawing.name} → {_names(second['clean'].scan)}"
        return _against(moves_in(moves, axes), car, title, data)

    with opened(after) as job:
        stood = as_stood(asked, job.settings.straightness)
        return _kept(job, stood, {BEFORE: data}, watch, lambda: work(stood))


def as_stood(asked: CompareSettings, *stood: StraightnessSettings) -> CompareSettings:
    """What is asked, with what is not known of how the frame stood at each of the scans."""
    open_ = [s.elastic_mm for s in stood if not s.supports_known]
    return asked.model_copy(update={"stood_mm": math.hypot(*open_) if open_ else None})


def _kept(
    job: Job, asked: CompareSettings, given: Mapping[str, bytes], watch: Watch, work: Callable[[], Written]
) -> Outcome:
    with suppress(Enough):
        Ledger(job, job.settings, given, watch, "compare", asked)("compare", lambda progress: work())
    made = [job.folder / name for name in job.made("compare") if not name.startswith("work/")]
    return Outcome({}, tuple(made))


def _later(after: Path, watch: Watch) -> Mapping[str, Any]:
    """The later job's records up to its datum, or up to its features where it holds none."""
    try:
        return run(Request(after, until="datum"), watch).records
    except DataError:
        return run(Request(after, until="fit"), watch).records


def _identity(inputs: Mapping[str, str], outputs: Mapping[str, Mapping[str, str]]) -> bytes:
    document = {"scans": inputs, "stages": outputs}
    return f"{json.dumps(document, indent=1, sort_keys=True)}\n".encode()


def against_drawing(wanted: Sequence[Wanted], second: Mapping[str, Any], asked: CompareSettings) -> tuple[Moves, Datum]:
    """The job's points against their places in a drawing, and its datum there, both x forward, y left."""
    datum = second["datum"]
    measured, ahead = points_forward(second["points"], datum).as_measured(), forward(datum)
    moves = against(wanted, measured, ahead, second["fit"].noise, asked)
    return moves, replace(ahead, car_from_scan=moves.unmoved.pose @ ahead.car_from_scan)


def compared(
    first: Mapping[str, Any], second: Mapping[str, Any], asked: CompareSettings, settings: PointsSettings
) -> tuple[Moves, Datum, MountPoints]:
    """What moved from the first job's records to the second's, the later scan's datum and its points there.

    Found x forward, y left; stretches of x are asked for, and all of it given, in the axes of the first job's datum.
    """
    clean, features, own = second["clean"], second["fit"], first["datum"]
    earlier = Earlier(first["clean"], first["fit"], forward(own), points_forward(first["points"], own).as_measured())
    if own.axes == "iso4130":
        asked = asked.model_copy(update={"unmoved": tuple(map(other_way, asked.unmoved))})
    unmoved = laid(earlier, clean, forward(second["datum"]) if "datum" in second else None, asked)
    ahead, car = later_car(earlier.datum, unmoved), later_car(own, unmoved)
    found = points(features, ahead, (), settings)
    moves = compare(earlier, clean, features, found, unmoved, asked, own.axes)
    return moves_in(moves, own.axes), car, points_in(renamed(found, moves), car)


def _compared(
    first: Mapping[str, Any],
    second: Mapping[str, Any],
    asked: CompareSettings,
    settings: Settings,
    given: Mapping[str, bytes],
    title: str,
) -> Written:
    moves, car, found = compared(first, second, asked, settings.points)
    return _written(moves, second["clean"], car, found, settings, given, title)


def renamed(found: MountPoints, moves: Moves) -> MountPoints:
    """Later points under the names that they have in the earlier job."""
    names = moves.names
    points_ = tuple(replace(p, name=names.get(p.name, p.name), partner=names.get(p.partner, p.partner))
                    for p in found.points)  # fmt: skip
    pairs = tuple(replace(p, left=names.get(p.left, p.left), right=names.get(p.right, p.right)) for p in found.pairs)
    groups = tuple(replace(g, holes=tuple(names.get(n, n) for n in g.holes)) for g in found.groups)
    return replace(found, points=points_, pairs=pairs, groups=groups)


def _written(
    moves: Moves,
    clean: CleanScan,
    car: Datum,
    found: MountPoints,
    settings: Settings,
    given: Mapping[str, bytes],
    title: str,
) -> Written:
    from barerail.outputs.mesh import chassis_ply
    from barerail.outputs.moved import FOLDER, moved_files
    from barerail.outputs.page_moved import compare_html
    from barerail.outputs.table import points_csv, points_json

    normals = direction(car.car_from_scan, clean.normals[clean.label == CHASSIS])
    files = {
        **moved_files(moves, car),
        f"{FOLDER}/compare.html": compare_html(moves, normals, car, settings.report, title),
        f"{FOLDER}/points.csv": points_csv(found, car),
        f"{FOLDER}/points.json": points_json(found, car),
        f"{FOLDER}/chassis.ply": chassis_ply(clean.scan, car),
    }
    return Written({**files, **given}, moves.notes)


def _against(moves: Moves, car: Datum, title: str, data: bytes) -> Written:
    from barerail.outputs.moved import FOLDER, moved_files
    from barerail.outputs.page_moved import compare_html

    page = compare_html(moves, np.zeros((0, 3)), car, ReportSettings(), title)
    return Written({**moved_files(moves, car), f"{FOLDER}/compare.html": page, BEFORE: data}, moves.notes)


def told_apart(*jobs: Path) -> tuple[str, str]:
    """Job folders whose scans have one name, as few of their last parts as tell them apart."""
    one, two = (job.resolve().parts for job in jobs)
    deep = next(k for k in range(1, 1 + max(len(one), len(two))) if one[-k:] != two[-k:])
    return str(Path(*one[-deep:])), str(Path(*two[-deep:]))


def _names(scan: Any) -> str:
    return ", ".join(source.name for source in scan.sources)
