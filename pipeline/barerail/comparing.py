"""A later job compared with an earlier one, kept in the later one's folder."""

import json
from collections.abc import Callable, Mapping
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
from barerail.records import CHASSIS, Datum, MountPoints, Moves, Written
from barerail.run import Outcome, run
from barerail.settings import ReportSettings, Settings
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
    earlier = Earlier(first["clean"], first["fit"], first["datum"], first["points"].as_measured())
    second = _later(after, watch)
    for folder, records in ((before, first), (after, second)):
        _forward(folder, records)
    with opened(after) as job, opened(before) as known:
        given = {BEFORE: _identity(known.inputs, {s: known.outputs(s) for s in RESTS_ON})}
        return _kept(job, asked, given, watch, lambda: _compared(earlier, second, asked, job.settings, given))


def _drawing(drawing: Path, after: Path, asked: CompareSettings, watch: Watch) -> Outcome:
    """The job's named points against their places in a names file."""
    data = tables.raw(drawing, "drawing")
    wanted = names.parse(data, drawing.name).wanted
    second = run(Request(after, until="points"), watch).records
    _forward(after, second)

    def work() -> Written:
        datum = second["datum"]
        moves = against(wanted, second["points"].as_measured(), datum, second["fit"].noise, asked)
        car = replace(datum, car_from_scan=moves.unmoved.pose @ datum.car_from_scan, origin=f"that of {drawing.name}")
        return _against(moves, second, car, f"{drawing.name} → {_names(second['clean'].scan)}", data)

    with opened(after) as job:
        return _kept(job, asked, {BEFORE: data}, watch, work)


def _kept(
    job: Job, asked: CompareSettings, given: Mapping[str, bytes], watch: Watch, work: Callable[[], Written]
) -> Outcome:
    with suppress(Enough):
        Ledger(job, job.settings, given, watch, "compare", asked)("compare", lambda progress: work())
    made = [job.folder / name for name in job.made("compare") if not name.startswith("work/")]
    return Outcome({"compare": (job.folder / "compare" / "summary.txt").read_text("utf-8")}, tuple(made))


def _later(after: Path, watch: Watch) -> Mapping[str, Any]:
    """The later job's records up to its datum, or up to its features where it holds none."""
    try:
        return run(Request(after, until="datum"), watch).records
    except DataError:
        return run(Request(after, until="fit"), watch).records


def _forward(job: Path, records: Mapping[str, Any]) -> None:
    """UsageError where the job's datum counts x rearward: shifts and bends are told x forward, y left."""
    if "datum" in records and records["datum"].axes != "iso8855":
        raise UsageError(f"compare: the datum of {job} is in iso4130 axes: barerail datum --job {job} --axes iso8855")


def _identity(inputs: Mapping[str, str], outputs: Mapping[str, Mapping[str, str]]) -> bytes:
    document = {"scans": inputs, "stages": outputs}
    return f"{json.dumps(document, indent=1, sort_keys=True)}\n".encode()


def _compared(
    earlier: Earlier, second: Mapping[str, Any], asked: CompareSettings, settings: Settings, given: Mapping[str, bytes]
) -> Written:
    clean, features = second["clean"], second["fit"]
    unmoved = laid(earlier, clean, second.get("datum"), asked)
    car = later_car(earlier.datum, unmoved)
    found = points(features, car, (), settings.points)
    moves = compare(earlier, clean, features, found, unmoved, asked)
    return _written(moves, earlier, second, car, renamed(found, moves), settings, given)


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
    earlier: Earlier,
    second: Mapping[str, Any],
    car: Datum,
    found: MountPoints,
    settings: Settings,
    given: Mapping[str, bytes],
) -> Written:
    from barerail.outputs.mesh import chassis_ply
    from barerail.outputs.moved import FOLDER, moved_files
    from barerail.outputs.page_moved import compare_html
    from barerail.outputs.table import points_csv, points_json

    clean = second["clean"]
    title = f"{_names(earlier.clean.scan)} → {_names(clean.scan)}"
    normals = direction(car.car_from_scan, clean.normals[clean.label == CHASSIS])
    files = {
        **moved_files(moves, car),
        f"{FOLDER}/compare.html": compare_html(moves, normals, clean.oriented, car, settings.report, title),
        f"{FOLDER}/points.csv": points_csv(found, car),
        f"{FOLDER}/points.json": points_json(found, car),
        f"{FOLDER}/chassis.ply": chassis_ply(clean.scan, car),
    }
    return Written({**files, **given}, moves.notes)


def _against(moves: Moves, second: Mapping[str, Any], car: Datum, title: str, data: bytes) -> Written:
    from barerail.outputs.moved import FOLDER, moved_files
    from barerail.outputs.page_moved import compare_html

    page = compare_html(moves, np.zeros((0, 3)), True, car, ReportSettings(), title)
    return Written({**moved_files(moves, car), f"{FOLDER}/compare.html": page, BEFORE: data}, moves.notes)


def _names(scan: Any) -> str:
    return ", ".join(source.name for source in scan.sources)
