"""Stages that answer at once, so that the tests of the job folder and the commands look at these alone."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import outputs_case as case
import pytest
import scan_files

from barerail import run
from barerail.geometry.frames import rigid
from barerail.given import Request
from barerail.records import CleanScan, Joint, Note, Scan, Written
from barerail.screen import Screen


class Stages:
    """Stands in for the five stages and the page; `done` lists which ran, `fault` is raised by the one of that name."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.done: list[str] = []
        self.fault: dict[str, BaseException] = {}
        self.wanted: tuple = ()
        self.recipe: object = None
        for stage in ("clean", "fit", "datum", "points", "straightness"):
            patch.setattr(run, stage, getattr(self, stage))
        patch.setattr(run, "join", self.join)
        patch.setattr(run, "_report", lambda *given: self._did("report") or Written({"report.html": b"<html>"}))

    def _did(self, stage: str) -> None:
        if stage in self.fault:
            raise self.fault[stage]
        self.done.append(stage)

    def join(self, scan: Scan, settings, common, progress) -> Scan:
        self._did("join")
        self.common = common
        pose = rigid(np.eye(3), (1.0, 2.0, 3.0))
        sources = (scan.sources[0], *(replace(s, pose=pose) for s in scan.sources[1:]))
        joints = (Joint(0, 1, "overlap", 0.4, 0.1),)
        return replace(
            scan, points=scan.points + 1.0, sources=sources, joints=joints, notes=(*scan.notes, Note("join", "joined"))
        )

    def clean(self, scan: Scan, settings, progress) -> CleanScan:
        self._did("clean")
        progress(0.5)
        thin = np.array(scan.points[::10])
        rows = np.arange(len(scan.points))
        label = np.zeros(len(thin), np.uint8)
        notes = (Note("clean", f"speck: {settings.speck_points}", 7),)
        start = np.append(rows[::10], len(rows))
        return CleanScan(scan, thin, np.zeros_like(thin), False, np.zeros(len(thin)), label, rows, start, 3.0, 2.0,
                         0.1, None, notes)  # fmt: skip

    def fit(self, clean: CleanScan, settings, progress):
        self._did("fit")
        assert clean.scan.points.shape[1] == 3
        return case.features()

    def datum(self, clean: CleanScan, features, settings, recipe, progress):
        self._did("datum")
        self.recipe = recipe
        assumed = () if settings.confirmed else ("front",) * (settings.front is None)
        return case.datum(assumed=assumed, evidence={"front": list(settings.front or ())})

    def points(self, features, datum, wanted, settings, earlier=()):
        self._did("points")
        self.wanted, self.earlier = wanted, [w.name for w in earlier]
        return case.mount_points()

    def straightness(self, features, datum, settings, points):
        self._did("straightness")
        return case.straightness()


def quick(folder: Path) -> tuple[Path, Path]:
    """A scan, and a settings file that leaves out the slow exports."""
    settings = folder / "quick.toml"
    settings.write_text('[export]\nformats = ["csv", "ply"]\n')
    return scan_files.ply(folder / "frame.ply"), settings


def do(job: Path, *scans: Path, **more) -> run.Outcome:
    """Run a request without a word."""
    return run.run(Request(job, scans=scans, **more), Screen(quiet=True))
