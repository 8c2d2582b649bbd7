"""What a run says: progress and notes on stderr, results on stdout."""

import sys
import time
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any

from barerail.records import Note, Progress, no_progress

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

    from barerail.run import Outcome
    from barerail.working import Ended

_INDENT = " " * 24


class Screen:
    """The watch of a run: a bar on a terminal while a stage works, a line when it ends; nothing where quiet."""

    def __init__(self, quiet: bool = False) -> None:
        self.quiet, self.started = quiet, 0.0
        self.bar: Bar | None = None

    def __enter__(self) -> "Screen":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._stop()

    def begin(self, stage: str) -> Progress:
        self.started = time.perf_counter()
        if self.quiet or not sys.stderr.isatty():
            return no_progress
        self.bar = bar = _bar()
        task = bar.add_task(stage, total=1.0)
        bar.start()
        return lambda share: bar.update(task, completed=share)

    def end(self, stage: str, text: str, notes: Sequence[Note] = ()) -> None:
        self._stop()
        if self.quiet:
            return
        seconds = time.perf_counter() - self.started
        print(f"{stage:<13}{seconds:7.1f} s  {text}".rstrip(), file=sys.stderr)
        for note in notes:
            mark = "!" if note.warning else "-"
            count = f" ({note.count})" if note.count != 1 else ""
            print(f"{_INDENT}{mark} {note.text}{count}", file=sys.stderr)

    def _stop(self) -> None:
        if self.bar is not None:
            self.bar.stop()
            self.bar = None


class Board:
    """The watch of a series: on a terminal a line for each scan at work and one for all; a line when one ends."""

    def __init__(self, total: int, quiet: bool = False) -> None:
        self.total, self.count, self.quiet = total, 0, quiet
        self.bar = _bar() if not quiet and sys.stderr.isatty() else None
        self.lines: dict[str, TaskID] = {}

    def __enter__(self) -> "Board":
        if self.bar is not None:
            self.all = self.bar.add_task("all scans", total=self.total)
            self.bar.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self.bar is not None:
            self.bar.stop()

    def begin(self, name: str) -> None:
        if self.bar is not None:
            self.lines[name] = self.bar.add_task(name, total=None)

    def end(self, name: str, ended: "Ended") -> None:
        self.count += 1
        if self.bar is not None:
            self.bar.remove_task(self.lines.pop(name))
            self.bar.update(self.all, completed=self.count)
        state = f"FAILED ({ended.code}): {ended.message}" if ended.code else "done"
        state = "was done before" if ended.idle and not ended.code else f"{state}, {ended.peak_mb:.0f} MB"
        self.say(f"{name:<13}{ended.seconds:7.1f} s  {state}; {self.count} of {self.total}")

    def say(self, text: str) -> None:
        """A line that stays, above those of the scans at work."""
        if not self.quiet:
            print(text, file=sys.stderr) if self.bar is None else self.bar.console.out(text, highlight=False)


def _bar() -> "Bar":
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description:<13}"), TimeElapsedColumn(), BarColumn(), TaskProgressColumn())
    return Bar(*columns, console=Console(stderr=True), transient=True)


def show(outcome: "Outcome", until: str) -> None:
    """Print what the stages up to `until` found, as far as that command is about it, and the files it wrote."""
    for text in _results(outcome.records, until):
        print(f"{text}\n")
    for path in outcome.files:
        if path.suffix == ".txt":
            print(path.read_text("utf-8"))
    for path in outcome.files:
        print(path)


def _results(records: Any, until: str) -> list[str]:
    from barerail.outputs import built_words, checks, datum_words, groups, joints, sides, words

    def points() -> str:
        found = joints.at_joints(records["points"])
        told = (tell(found) for tell in (words.points_table, sides.sides_words, groups.groups_words))
        return "\n\n".join(filter(None, told))

    made: dict[str, Callable[[], str]] = {
        "datum": lambda: datum_words.datum_words(records["datum"]),
        "points": points,
        "constructions": lambda: built_words.built_words(records["constructions"]),
        "straightness": lambda: words.straightness_words(records["straightness"]),
        "check": lambda: checks.check_words(records["check"]),
    }
    wanted = list(made) if until == "report" else [until]
    return [made[name]() for name in wanted if name in made and name in records]
