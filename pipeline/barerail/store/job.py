"""The job folder: what was put in, what each stage made of it, and what of that still holds."""

import json
import os
import traceback
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from barerail import __version__, stopping
from barerail.errors import BarerailError, UsageError
from barerail.settings import Settings
from barerail.store import config, files, lock
from barerail.store.files import Content

RECORD = "job.json"
FAULT = "fault.txt"
FORMAT = 1


@dataclass(frozen=True)
class Basis:
    """What a stage's result rests on: hashes of its input files, of the settings it reads and of its code."""

    inputs: dict[str, str]
    settings: str
    code: str


@dataclass(frozen=True)
class Replaced:
    """Files that gave way: those changed by hand, kept with `.changed` added to their names, and those removed."""

    changed: tuple[str, ...]
    removed: tuple[str, ...]


def digest(value: Any) -> str:
    """SHA-256 of plain data."""
    return sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


@contextmanager
def opened(folder: Path, scans: Sequence[Path] = ()) -> Iterator["Job"]:
    """The job in `folder`, held against other runs; a new one where `scans` are given and there is none.

    UsageError: no job there, a folder of other things, another run at work, a job of another scan. A fault of the
    program leaves its traceback in the folder and comes out as one line.
    """
    _check_folder(folder, bool(scans))
    with lock.held(folder / "work" / "lock"):
        files.sweep(folder)
        job = Job(folder, _read_record(folder / RECORD))
        job.claim(scans)
        (folder / FAULT).unlink(missing_ok=True)
        try:
            yield job
        except (BarerailError, MemoryError):
            raise
        except Exception as error:
            if stopping.asked():
                raise
            if isinstance(error, OSError) and files.is_disk(error):
                raise files.disk_error(error, Path(error.filename or folder)) from error
            raise _fault(error, folder) from error


def _check_folder(folder: Path, new: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file: --job takes a folder")
    if (folder / RECORD).exists():
        return
    if not new:
        raise UsageError(f"{folder} holds no job: start one with barerail run SCAN --job {folder}")
    others = [p.name for p in folder.iterdir() if p.name != "work"] if folder.exists() else []
    if others:
        found = ", ".join(sorted(others)[:3])
        raise UsageError(f"{folder} holds other things ({found}) and no job: give --job a new or empty folder")


def _read_record(path: Path) -> dict[str, Any]:
    if not path.exists():
        return {
            "format": FORMAT,
            "inputs": [],
            "settings": Settings().model_dump(mode="json"),
            "options": {},
            "stages": {},
        }
    try:
        record = json.loads(path.read_text("utf-8"))
        form = record["format"]
    except (ValueError, KeyError, TypeError) as error:
        raise UsageError(f"{path} is no job record ({error}): start again in a new folder") from error
    if form != FORMAT:
        raise UsageError(f"{path.parent} was made by barerail {record['tool']['version']}: start again in a new folder")
    return dict(record)


def _fault(error: Exception, folder: Path) -> BarerailError:
    kept = folder / FAULT
    try:
        kept.write_text("".join(traceback.format_exception(error)), "utf-8")
    except OSError:
        return BarerailError(f"a fault of the program: {type(error).__name__}: {error}")
    return BarerailError(f"a fault of the program ({type(error).__name__}: {error}); what to report stands in {kept}")


class Job:
    """An open job folder. Paths in it are relative to it."""

    def __init__(self, folder: Path, record: dict[str, Any]) -> None:
        self.folder, self.record = folder, record
        self.stages: dict[str, Any] = record["stages"]

    @property
    def settings(self) -> Settings:
        """The settings in force: those of the last stage that was done."""
        return config.build(self.record["settings"], RECORD)

    @property
    def options(self) -> dict[str, Any]:
        """Those of the settings that options of commands set, by dotted name."""
        return dict(self.record.get("options", {}))

    @property
    def scans(self) -> list[Path]:
        """Where the scan files were when they were last given."""
        return [self.folder / entry["path"] for entry in self.record["inputs"]]

    @property
    def inputs(self) -> dict[str, str]:
        """Hashes of the scan files by name."""
        return {entry["name"]: entry["sha256"] for entry in self.record["inputs"]}

    def claim(self, scans: Sequence[Path]) -> None:
        """Bind the job to its scan files; UsageError where it already holds others."""
        given = [_identity(path, self.folder) for path in scans]
        held = self.record["inputs"]
        other = given and [e["sha256"] for e in held] != [e["sha256"] for e in given]
        if other and self.stages:
            names = ", ".join(e["name"] for e in held)
            raise UsageError(
                f"{self.folder} holds the job of another scan ({names}): give this one its own --job folder"
            )
        if given and given != held:
            self.record["inputs"] = given
            self._save()

    def current(self, stage: str, basis: Basis) -> bool:
        """Whether the stage was done on just this basis and its files are still as it wrote them."""
        entry = self.stages.get(stage)
        same = entry is not None and all(entry[key] == value for key, value in asdict(basis).items())
        return same and not self._altered(stage, self.outputs(stage))

    def outputs(self, stage: str) -> dict[str, str]:
        """Hashes of a stage's files by path; empty where it wasn't done."""
        return dict(self.stages[stage]["outputs"]) if stage in self.stages else {}

    def made(self, stage: str) -> list[str]:
        """Files of a stage's last call, which may stand beside those of earlier ones."""
        return list(self.stages[stage].get("made", self.outputs(stage))) if stage in self.stages else []

    def still_good(self, stage: str, basis: Basis) -> dict[str, str]:
        """A stage's files that rest on the same inputs and code, whatever the settings, and are as it wrote them."""
        entry = self.stages.get(stage)
        if entry is None or (entry["inputs"], entry["code"]) != (basis.inputs, basis.code):
            return {}
        return {name: kept for name, kept in self.outputs(stage).items() if self._hash(name) == kept}

    def stamp(self, stage: str, contents: Mapping[str, bytes]) -> None:
        """Give files of a stage that was done other bytes: what a later stage says of them stands in their headers.

        They count as the stage's own before and after, so that a run killed in between goes on from either.
        """
        hashes = {name: sha256(content).hexdigest() for name, content in contents.items()}
        if all(self._hash(name) == kept for name, kept in hashes.items()):
            return
        if hashes != {name: self.outputs(stage)[name] for name in hashes}:
            self.stages[stage]["stamped"] = hashes
            self._save()
        for name, content in contents.items():
            files.write(self.folder / name, content)

    def keep(
        self,
        stage: str,
        basis: Basis,
        contents: Mapping[str, Content],
        facts: Mapping[str, Any],
        later: Sequence[str],
        beside: Mapping[str, str],
        users: Sequence[str] = (),
    ) -> Replaced:
        """Store a stage's files, all or none; those of `later` stages that rested on others are removed.

        beside: files of the stage itself, and their hashes, that stay where none of the new ones has their name.
        users: files that the user gave; those of `later` stages stay, for when these are done again.
        """
        drafts = self._drafts(contents)
        stay = {name: kept for name, kept in beside.items() if name not in drafts}
        outputs = stay | {name: d.sha256 for name, d in drafts.items()}
        spared, removed = self._spare([stage, *later]), []
        try:
            if outputs != self.outputs(stage):
                removed = self._forget([stage, *later], stay, users)
            for d in drafts.values():
                d.publish()
        finally:
            for d in drafts.values():
                d.discard()
        finished = datetime.now(UTC).isoformat(timespec="seconds")
        held = {"outputs": outputs, "made": list(drafts)}
        self.stages[stage] = asdict(basis) | held | dict(facts) | {"finished": finished}
        self._save()
        return Replaced(tuple(spared), tuple(name for name in removed if name not in outputs))

    def remember(self, settings: Settings, options: Mapping[str, Any]) -> None:
        """Make these the settings in force, and these those of them that options set."""
        values = {"settings": settings.model_dump(mode="json"), "options": json.loads(json.dumps(dict(options)))}
        if any(self.record.get(key) != value for key, value in values.items()):
            self.record |= values
            self._save()

    def _drafts(self, contents: Mapping[str, Content]) -> dict[str, files.Draft]:
        drafts: dict[str, files.Draft] = {}
        try:
            for name, content in contents.items():
                drafts[name] = files.draft(self.folder / name, content)
        except BaseException:
            for d in drafts.values():
                d.discard()
            raise
        return drafts

    def _spare(self, stages: Sequence[str]) -> list[str]:
        """Rename the files of these stages that are no longer as they were written, work/ aside."""
        public = {stage: [name for name in self.outputs(stage) if not name.startswith("work/")] for stage in stages}
        altered = [name for stage in stages for name in self._altered(stage, public[stage])]
        changed = [name for name in altered if self._hash(name)]
        for name in changed:
            os.replace(self.folder / name, self.folder / f"{name}.changed")
        return changed

    def drop(self, names: Iterable[str]) -> None:
        """Remove files that the user gave before and that hold no more."""
        for name in names:
            (self.folder / name).unlink(missing_ok=True)

    def _forget(self, stages: Sequence[str], stay: Mapping[str, str], users: Sequence[str]) -> list[str]:
        """Remove these stages and their files, but of the first one's those that `stay`, and what the user gave."""
        old = [name for stage in stages for name in self.outputs(stage) if name not in (*stay, *users)]
        entries = [self.stages.pop(stage, None) for stage in stages]
        if stay and entries[0]:
            self.stages[stages[0]] = entries[0] | {"settings": "", "outputs": dict(stay), "made": []}
        self._save()
        for name in old:
            (self.folder / name).unlink(missing_ok=True)
        return old

    def _altered(self, stage: str, names: Iterable[str]) -> list[str]:
        """Those of a stage's files that aren't as it wrote them, or as a later one stamped them."""
        written, stamped = self.outputs(stage), self.stages.get(stage, {}).get("stamped", {})
        return [name for name in names if self._hash(name) not in (written[name], stamped.get(name))]

    def _hash(self, name: str) -> str:
        path = self.folder / name
        return files.sha256(path) if path.is_file() else ""

    def _save(self) -> None:
        head = {"tool": {"name": "barerail", "version": __version__}}
        text = json.dumps(head | self.record, indent=1, ensure_ascii=False, allow_nan=False)
        files.write(self.folder / RECORD, f"{text}\n".encode())


def _identity(path: Path, folder: Path) -> dict[str, Any]:
    relative = os.path.relpath(path.resolve(), folder.resolve())
    return {"name": path.name, "path": relative, "bytes": path.stat().st_size, "sha256": files.sha256(path)}
