"""What each stage rests on, which files it gives, and the book that a run keeps of them in the job folder."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Protocol, TypeVar

from barerail.counting import counted, in_words
from barerail.records import Check, Note, Progress, Scan
from barerail.settings import Model, Settings
from barerail.store import work
from barerail.store.files import Content
from barerail.store.job import Basis, Job, Replaced, digest

T = TypeVar("T")
NAMES, RECIPE, EARLIER = "work/names.csv", "work/recipe.json", "work/earlier.csv"
COMMON, MEASURED, BUILT = "work/common.csv", "work/measured.csv", "work/constructions.toml"
BEFORE = "work/before.json"
USERS = (NAMES, EARLIER, COMMON, MEASURED, BUILT, RECIPE)
"""The job's copies of what the user gave, which no command but one that replaces them takes away."""
STAMPED = ("points", "constructions")
"""Stages whose tables say, once it is judged, what hand measurements say of the scale."""
JUDGING = ("constructions", "check")
"""Stages before which the tables go back to SCALE NOT CHECKED: until they end, nobody can say."""
_COMMON = ("geometry", "records", "store")


@dataclass(frozen=True)
class Stage:
    """Earlier stages that a stage takes, the package's code that it runs, and files the user may have given for it.

    gathers: files of earlier calls stay beside those of this one while they rest on the same.
    """

    needs: tuple[str, ...]
    code: tuple[str, ...]
    given: tuple[str, ...] = ()
    gathers: bool = False


STAGES = {
    "read": Stage((), ()),
    "join": Stage(("read",), ("stages/join",), (COMMON,)),
    "clean": Stage(("read", "join"), ("stages/clean",)),
    "look": Stage(("read", "join", "clean"), ("outputs", "stages/fit")),
    "fit": Stage(("clean",), ("stages/fit",)),
    "datum": Stage(("clean", "fit"), ("stages/datum", "outputs"), (RECIPE, EARLIER)),
    "points": Stage(("fit", "datum"), ("stages/points", "outputs"), (NAMES,)),
    "constructions": Stage(("fit", "datum", "points"), ("stages/construct", "outputs"), (BUILT,)),
    "straightness": Stage(("fit", "datum", "points"), ("stages/straightness", "outputs")),
    "check": Stage(("fit", "points", "constructions"), ("stages/check.py", "outputs"), (MEASURED,)),
    "export": Stage(
        ("read", "join", "clean", "fit", "datum", "points", "constructions", "check"), ("outputs",), gathers=True
    ),
    "report": Stage(("clean", "fit", "datum", "points", "constructions", "straightness", "check"), ("outputs",)),
    "sheets": Stage(
        ("read", "join", "clean", "datum", "points", "constructions", "straightness", "check"), ("outputs",)
    ),
    "template": Stage(
        ("read", "join", "clean", "fit", "datum", "points", "constructions", "check"), ("outputs",), gathers=True
    ),
    "section": Stage(
        ("read", "join", "clean", "datum", "points", "constructions", "check"), ("outputs",), gathers=True
    ),
    "compare": Stage(
        ("read", "join", "clean", "fit", "datum", "points"), ("stages/compare", "stages/points", "outputs"), (BEFORE,)
    ),
}
PARTS = ("between", "bolt-on", "room", "cope", "flats", "opening")
STAGES |= {
    part: Stage(("read", "join", "clean", "fit", "datum", "points", "constructions", "check"),
                (f"stages/{part.replace('-', '_')}.py", "outputs", "making.py"), gathers=True)
    for part in PARTS
}  # fmt: skip
FILES = ("look", "export", "report", "sheets", "template", "section", "compare", *PARTS)
"""Stages that give files only, no record."""


class Watch(Protocol):
    """Is told what a run is doing."""

    def begin(self, stage: str) -> Progress:
        """A stage begins; its share done goes to what is returned."""

    def end(self, stage: str, text: str, notes: Sequence[Note] = ()) -> None:
        """A stage ended: what came of it in one line, and what is to be said about it."""


class Enough(Exception):
    """The last stage that was asked for is done."""


class Ledger:
    """The step of a run: takes a stage's result from the job where nothing it rests on changed, else does and keeps it.

    Calling it with the last stage raises `Enough` once that is done. asked: what the last stage is to do in this call
    only, in place of its settings. options: those of the settings that options of commands set; else the job's.
    """

    def __init__(
        self,
        job: Job,
        settings: Settings,
        given: Mapping[str, bytes],
        watch: Watch,
        until: str,
        asked: Model | None = None,
        options: Mapping[str, Any] | None = None,
    ) -> None:
        self.options = job.options if options is None else options
        self.job, self.settings, self.given, self.watch, self.until = job, settings, given, watch, until
        self.asked = asked
        self.records: dict[str, Any] = {}

    def __call__(self, stage: str, do: Callable[[Progress], T]) -> T:
        basis = self._basis(stage)
        progress = self.watch.begin(stage)
        if self.job.current(stage, basis):
            self.watch.end(stage, "skipped, nothing it rests on has changed")
        else:
            if stage in JUDGING:
                self._stamp(None)
            self._do(stage, basis, lambda: do(progress))
        self.records[stage] = self._load(stage)
        if stage == "check":
            self._stamp(self.records[stage])
        if stage == self.until:
            raise Enough
        return self.records[stage]

    def _basis(self, stage: str) -> Basis:
        about = STAGES[stage]
        inputs = dict(self.job.inputs) if stage == "read" else {}
        for earlier in about.needs:
            inputs |= {name: kept for name, kept in self.job.outputs(earlier).items() if name.startswith("work/")}
        for name in about.given:
            if name in self.given:
                inputs[name] = sha256(self.given[name]).hexdigest()
        section = self.asked if self.asked and stage == self.until else getattr(self.settings, stage)
        return Basis(inputs, digest(section.model_dump(mode="json")), code_of((*about.code, *_COMMON)))

    def _do(self, stage: str, basis: Basis, do: Callable[[], Any]) -> None:
        started = time.perf_counter()
        record = do()
        self.records[stage] = record
        contents = self._contents(stage, record)
        counts, notes = counted(stage, record), _notes(stage, record)
        seconds = round(time.perf_counter() - started, 3)
        facts = {
            "seconds": seconds,
            "counts": counts,
            "warnings": [n.text for n in notes if n.warning],
            **_poses(record),
        }
        beside = self.job.still_good(stage, basis) if STAGES[stage].gathers else {}
        self.job.drop(name for name in STAGES[stage].given if name not in self.given)
        replaced = self.job.keep(stage, basis, contents, facts, _resting_on(stage), beside, USERS)
        self.job.remember(self.settings, self.options)
        self.watch.end(stage, in_words(counts), (*notes, *self._gave_way(stage, replaced)))

    def _gave_way(self, stage: str, replaced: Replaced) -> list[Note]:
        told = [f"{name} was changed by hand: kept as {name}.changed" for name in replaced.changed]
        public = [name for name in replaced.removed if not name.startswith("work/")]
        if public and stage == self.until:
            told.append(f"removed, resting on what was before: {', '.join(public)}; run their commands again")
        return [Note(stage, text, warning=True) for text in told]

    def _contents(self, stage: str, record: Any) -> dict[str, Content]:
        if stage in FILES:
            return dict(record.files)
        given = {name: self.given[name] for name in STAGES[stage].given if name in self.given}
        return (
            work.contents(stage, record, self.records.get("read"))
            | self._public(stage, record, self.records.get("datum"))
            | given
        )

    def _stamp(self, judged: Check | None) -> None:
        """Say in the headers of the tables what hand measurements say of the scale; nothing before they are judged."""
        from barerail.outputs.checks import scale_words

        datum = self.records["datum"]
        if judged is not None and judged.rows:
            datum = replace(datum, scale=scale_words(judged))
        for stage in STAMPED:
            if stage in self.records and self.job.outputs(stage):
                self.job.stamp(stage, self._public(stage, self.records[stage], datum))

    def _public(self, stage: str, record: Any, datum: Any) -> dict[str, bytes]:
        """The files other programs read, beside the stage's own record."""
        from barerail.outputs import checks, groups, table

        match stage:
            case "datum":
                return {"datum.json": table.datum_json(record)}
            case "points":
                tables = {
                    "points.csv": table.points_csv,
                    "points.json": table.points_json,
                    "pairs.csv": table.pairs_csv,
                    "groups.csv": groups.groups_csv,
                }
                return {name: make(record, datum) for name, make in tables.items()}
            case "constructions":
                own = replace(record, points=tuple(p for p in record.points if p.name in record.built), pairs=())
                return {
                    "constructed.csv": table.points_csv(own, datum),
                    "constructed.json": table.points_json(own, datum),
                }
            case "straightness":
                return {"straightness.json": table.straightness_json(record, datum)}
            case "check":
                return dict(
                    checks.check_files(
                        record, self.records.get("constructions", self.records["points"]), self.records["fit"].noise
                    )
                )
        return {}

    def _load(self, stage: str) -> Any:
        # From disk even where it was just made: a resumed run then works on the very same, and a big scan is mapped.
        return None if stage in FILES else work.load(self.job.folder, stage, self._scan())

    def _scan(self) -> Any:
        """What later records stand on: the joined scan, or the scan as read where that is still to be joined."""
        return self.records.get("join", self.records.get("read"))


def _notes(stage: str, record: Any) -> tuple[Note, ...]:
    """A record's notes; of a scan that was joined only what that said."""
    return tuple(note for note in getattr(record, "notes", ()) if stage != "join" or note.stage == "join")


def _poses(record: Any) -> dict[str, Any]:
    """For job.json: each joined scan's pose, row-major 4x4, in mm, into the first one's coordinates."""
    joined = isinstance(record, Scan) and record.joints
    return {"poses": {s.name: s.pose.tolist() for s in record.sources}} if joined else {}


def _resting_on(stage: str) -> list[str]:
    """The stages that take this one's result, at first or second hand."""
    found = [stage]
    for later, about in STAGES.items():
        if set(about.needs) & set(found):
            found.append(later)
    return found[1:]


@cache
def code_of(parts: tuple[str, ...]) -> str:
    """Hash of the package's files under these paths: other code may give other results."""
    package = Path(__file__).parent
    files = [f for part in parts for f in sorted([package / part, *(package / part).rglob("*")]) if f.is_file()]
    known = sha256()
    for file in files:
        if "__pycache__" not in file.parts:
            known.update(file.relative_to(package).as_posix().encode() + b"\0" + file.read_bytes() + b"\0")
    return known.hexdigest()
