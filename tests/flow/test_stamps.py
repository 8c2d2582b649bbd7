"""What the tables of a job say of the scale: the outcome of the check, and never one that nobody has judged."""

import json
import os
import shutil
from collections.abc import Callable
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from stand_ins import do
from test_job import snapshot

from barerail.errors import UsageError


def scale_in(job: Path) -> str:
    lines = (job / "points.csv").read_text().splitlines()
    return next(line for line in lines if line.startswith("# scale: "))


def tape(folder: Path, off: float) -> Path:
    """A length between two points of the stand-in, `off` by so many mm."""
    good = float(np.linalg.norm(np.subtract((1013.0, -402.0, 100.0), (0.0, 400.0, 50.0))))
    file = folder / "tape.csv"
    file.write_text(f"a,b,length_mm,U_mm\nright hole,rail L,{good + off:.2f},0.5\n")
    return file


def stopping(after: int) -> Callable[..., None]:
    """os.replace that works so many times, then stops the run."""
    done, replace = count(), os.replace

    def stop(*ends: object) -> None:
        if next(done) >= after:
            raise KeyboardInterrupt
        replace(*ends)

    return stop


CHECKED, PLAIN, FAILED = "scale checked by 1", "SCALE NOT CHECKED when this was written", "SCALE NOT CHECKED: 1 of 1"


def test_the_tables_carry_the_outcome_of_the_check_and_nothing_is_done_again(job, stages, tmp_path):
    assert PLAIN in scale_in(job)
    do(job, measured=tape(tmp_path, 0.2))
    assert CHECKED in scale_in(job) and "points" not in stages.done
    before = snapshot(job)
    stages.done.clear()
    do(job)
    assert stages.done == [] and snapshot(job) == before and not list(job.glob("*.changed"))
    do(job, changes={"points.centre_mm": 15.0}, until="points")
    assert PLAIN in scale_in(job), "other points, that nobody has judged"
    do(job)
    assert CHECKED in scale_in(job)
    (job / "points.csv").write_bytes(b"mine")
    do(job)
    assert (job / "points.csv.changed").read_bytes() == b"mine" and CHECKED in scale_in(job)


def test_a_check_that_fails_or_stops_halfway_leaves_no_stamp(job, stages, tmp_path):
    do(job, measured=tape(tmp_path, 0.2))
    do(job, measured=tape(tmp_path, 9.0))
    assert FAILED in scale_in(job)
    do(job, measured=tape(tmp_path, 0.2))
    (tmp_path / "tape.csv").write_text("a,b,length_mm\nright hole,nobody,12\n")
    with pytest.raises(UsageError, match="no point is named 'nobody'"):
        do(job, measured=tmp_path / "tape.csv")
    assert PLAIN in scale_in(job)
    do(job)
    assert CHECKED in scale_in(job), "the job kept the lengths that it had"


@pytest.mark.parametrize(("first", "then"), [(0.2, 9.0), (9.0, 0.2)])
def test_a_run_killed_at_any_write_around_the_check_leaves_no_wrong_stamp(
    job, stages, tmp_path, monkeypatch, first, then
):
    """Each rename of a file is a moment: what stands is NOT CHECKED, or the outcome that check.json says."""
    words = {0.2: CHECKED, 9.0: FAILED}
    do(job, measured=tape(tmp_path, first))
    start = tmp_path / "start"
    shutil.copytree(job, start)
    moments, replaced = 0, os.replace
    while True:
        shutil.rmtree(job)
        shutil.copytree(start, job)
        monkeypatch.setattr(os, "replace", stopping(moments))
        try:
            do(job, measured=tape(tmp_path, then))
            ended = True
        except KeyboardInterrupt:
            ended = False
        monkeypatch.setattr(os, "replace", replaced)
        if CHECKED in scale_in(job):
            assert json.loads((job / "check.json").read_text())["state"] == "passed"
        do(job, measured=tape(tmp_path, then))
        assert words[then] in scale_in(job) and not list(job.glob("*.changed"))
        if ended:
            break
        moments += 1
    assert moments > 8
