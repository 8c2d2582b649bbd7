"""The job folder: what is kept, what is skipped, what is refused, and that nothing is ever half there."""

import json
from pathlib import Path

import outputs_case as case
import pytest
import scan_files
from stand_ins import do, quick

from barerail.errors import DataError, UsageError
from barerail.run import process
from barerail.settings import Settings
from barerail.store import files, readers

ALL = ["clean", "fit", "datum", "points", "straightness", "report"]


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != "lock"}


def test_a_run_writes_what_the_contract_names_and_nothing_else(job, tmp_path):
    public = {n for n in snapshot(job) if not n.startswith("work")}
    assert public == {"job.json", "datum.json", "points.csv", "points.json", "pairs.csv", "groups.csv",
                      "straightness.json", "check.json", "to-measure.csv",
                      "export/points.csv", "export/chassis.ply", "report.html"}  # fmt: skip
    record = json.loads((job / "job.json").read_text())
    (given,) = record["inputs"]
    scan = tmp_path / "frame.ply"
    assert (given["name"], given["bytes"], given["sha256"]) == (scan.name, scan.stat().st_size, files.sha256(scan))
    assert (job / given["path"]).resolve() == scan
    order = "read clean fit datum points straightness check export report"
    assert list(record["stages"]) == order.split()
    for stage in record["stages"].values():
        assert stage["seconds"] >= 0 and all(files.sha256(job / n) == h for n, h in stage["outputs"].items())
    assert record["stages"]["points"]["inputs"].keys() == {"work/fit.npz", "work/datum.npz"}
    assert str(tmp_path) not in (job / "job.json").read_text()


def test_nothing_changed_nothing_done_same_bytes(job, stages):
    before = snapshot(job)
    do(job)
    assert stages.done == [] and snapshot(job) == before


@pytest.mark.parametrize(
    "changes, done",
    [
        ({"clean.speck_points": 61}, ["clean"]),
        ({"fit.hole_min_mm": 7.0}, ["fit"]),
        ({"datum.front": (1.0, 2.0, 3.0)}, ["datum", "points", "straightness", "report"]),
        ({"points.zone_mm": 400.0}, ["points"]),
        ({"report.page_triangles": 5000}, ["report"]),
        ({"read.unit": "mm"}, ALL),
    ],
)
def test_a_changed_setting_starts_at_the_stage_it_touches(job, stages, changes, done):
    do(job, changes=changes)
    assert stages.done[: len(done)] == done, "stages before it are skipped"
    after = stages.done.copy()
    do(job)
    assert stages.done == after


def test_same_answer_again_leaves_later_stages_alone(job, stages):
    do(job, changes={"fit.hole_min_mm": 7.0})
    assert stages.done == ["fit"]


def test_a_stage_alone_remembers_its_options_for_later_stages(job, stages):
    do(job, until="datum", changes={"datum.front": (1.0, 2.0, 3.0)})
    assert stages.done == ["datum"]
    assert not (job / "points.csv").exists() and not (job / "report.html").exists(), "they rested on the old datum"
    do(job)
    assert json.loads((job / "datum.json").read_text())["evidence"]["front"] == [1.0, 2.0, 3.0]
    assert stages.done == ["datum", "points", "straightness", "report"]


def test_an_option_that_is_refused_is_not_remembered_and_costs_nothing(job, stages):
    before = snapshot(job)
    stages.fault["datum"] = DataError("datum: no")
    with pytest.raises(DataError):
        do(job, changes={"datum.front": (1.0, 2.0, 3.0)})
    stages.fault.clear()
    assert snapshot(job) == before
    do(job)
    assert stages.done == []


def test_a_run_that_was_stopped_goes_on_where_it_was(tmp_path, stages):
    scan, settings = quick(tmp_path)
    stages.fault["points"] = KeyboardInterrupt()
    with pytest.raises(KeyboardInterrupt):
        do(tmp_path / "job", scan, settings=settings)
    assert (tmp_path / "job" / "datum.json").exists()
    stages.fault.clear()
    do(tmp_path / "job", scan, settings=settings)
    assert stages.done == ["clean", "fit", "datum", "points", "straightness", "report"]


def test_damaged_work_is_done_again(job, stages):
    (job / "work" / "fit.npz").write_bytes(b"x")
    do(job)
    assert stages.done == ["fit"]


def test_a_result_changed_by_hand_is_kept_beside_the_new_one(job, stages):
    written = (job / "points.csv").read_bytes()
    (job / "points.csv").write_bytes(b"mine")
    do(job)
    assert (job / "points.csv").read_bytes() == written
    assert (job / "points.csv.changed").read_bytes() == b"mine"


def test_names_and_recipe_are_kept_as_copies(job, stages, tmp_path):
    table = tmp_path / "mine.csv"
    table.write_text("name,kind,x_mm,y_mm,z_mm\nA,hole,1,2,3\n")
    (tmp_path / "before").mkdir()
    (tmp_path / "before" / "datum.json").write_text('{"recipe": {"rule": "symmetry"}}')
    do(job, names=table, datum_from=tmp_path / "before")
    table.unlink()
    (tmp_path / "before" / "datum.json").unlink()
    assert [w.name for w in stages.wanted] == ["A"] and stages.recipe == {"rule": "symmetry"}
    stages.done.clear()
    do(job, changes={"points.zone_mm": 400.0, "datum.rival_ratio": 1.2})
    assert stages.done[:2] == ["datum", "points"]
    assert [w.name for w in stages.wanted] == ["A"] and stages.recipe == {"rule": "symmetry"}
    with pytest.raises(UsageError, match=r"no datum\.json with a recipe: give a finished job's folder"):
        do(job, datum_from=tmp_path / "before")


def test_a_way_named_anew_forgets_the_recipe_and_a_recipe_the_way(job, stages, tmp_path):
    (tmp_path / "before").mkdir()
    (tmp_path / "before" / "datum.json").write_text('{"recipe": {"rule": "symmetry"}}')
    do(job, changes={"datum.underside_z_mm": 100.0, "datum.axes": "iso4130", "datum.front": (1.0, 0.0, 0.0)})
    do(job, datum_from=tmp_path / "before")
    remembered = json.loads((job / "job.json").read_text())["settings"]["datum"]
    assert stages.recipe == {"rule": "symmetry"} and remembered["underside_z_mm"] == 0.0
    assert remembered["axes"] == "iso8855" and remembered["front"] == [1.0, 0.0, 0.0]
    do(job, changes={"datum.method": "symmetry", "datum.underside_z_mm": 50.0})
    assert stages.recipe is None
    do(job, changes={"datum.method": "symmetry"})
    assert json.loads((job / "job.json").read_text())["settings"]["datum"]["underside_z_mm"] == 0.0


def test_names_of_the_jobs_own_points_are_kept_less_those_of_the_names_file(job, stages, tmp_path):
    before = [p.name for p in case.mount_points().points if p.state == "measured"]
    table = tmp_path / "mine.csv"
    table.write_text("name,kind,x_mm,y_mm,z_mm\nright hole,hole,1,2,3\n")
    do(job, names=table)
    assert stages.earlier == before
    do(job, changes={"points.centre_mm": 15.0})
    assert stages.earlier == [name for name in before if name != "right hole"]
    do(job, changes={"points.zone_mm": 400.0})
    assert stages.earlier == [], "other zones are asked for"


def test_names_of_the_job_whose_datum_is_repeated_come_with_it_step_by_step(job, stages, tmp_path):
    before = tmp_path / "before"
    before.mkdir()
    (before / "datum.json").write_text('{"recipe": {"rule": "symmetry"}}')
    (before / "points.csv").write_text("name,kind,x_mm,y_mm,z_mm\nhole-f01-up-L,hole,100,200,3\n")
    do(job, until="datum", datum_from=before)
    (before / "points.csv").unlink()
    do(job)
    assert stages.earlier == ["hole-f01-up-L"]
    do(job, changes={"fit.hole_min_mm": 7.0})
    assert stages.earlier == ["hole-f01-up-L"] and (job / "work" / "earlier.csv").exists()


def test_names_do_not_follow_when_the_datum_moves(job, stages, monkeypatch):
    moved = case.CAR_FROM_SCAN.copy()
    moved[0, 3] += 2.5
    monkeypatch.setattr(case, "CAR_FROM_SCAN", moved)
    do(job, changes={"datum.rival_ratio": 1.2})
    assert stages.done == ["datum", "points", "straightness", "report"] and stages.earlier == []


def test_a_job_may_move_and_its_scan_may_go(job, stages, tmp_path):
    moved = job.rename(tmp_path / "elsewhere")
    (tmp_path / "frame.ply").unlink()
    do(moved, changes={"fit.hole_min_mm": 7.0})
    assert stages.done == ["fit"]
    with pytest.raises(UsageError, match=r"frame\.ply must be read again and isn't where it was: barerail clean SCAN"):
        do(moved, changes={"read.unit": "mm"})


def test_another_scan_is_refused_and_the_same_under_another_name_is_not(job, stages, tmp_path):
    before = snapshot(job)
    other = scan_files.ply(tmp_path / "other.ply", scan_files.CLOUD + 1)
    with pytest.raises(UsageError, match=r"holds the job of another scan \(frame.ply\): give this one its own --job"):
        do(job, other)
    assert snapshot(job) == before
    same = (tmp_path / "frame.ply").rename(tmp_path / "renamed.ply")
    do(job, same)
    assert "renamed.ply" in (job / "job.json").read_text()


def test_a_scan_that_could_not_be_read_may_be_replaced(tmp_path, stages):
    bad = tmp_path / "bad.ply"
    bad.write_bytes(b"ply\n")
    scan, settings = quick(tmp_path)
    with pytest.raises(DataError):
        do(tmp_path / "job", bad)
    do(tmp_path / "job", scan, settings=settings)
    assert (tmp_path / "job" / "report.html").exists()


def test_a_folder_of_other_things_and_a_folder_without_a_job_are_refused(tmp_path, stages):
    scan, _ = quick(tmp_path)
    with pytest.raises(UsageError, match=r"holds other things \(frame.ply, quick.toml\) and no job"):
        do(tmp_path, scan)
    with pytest.raises(UsageError, match="holds no job: start one with barerail run SCAN"):
        do(tmp_path / "none", until="fit")
    with pytest.raises(UsageError, match="is a file: --job takes a folder"):
        do(scan, scan)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["frame.ply", "quick.toml"]


def test_a_record_of_another_form_is_refused_by_name(job):
    record = json.loads((job / "job.json").read_text()) | {"format": 99, "tool": {"version": "9.9"}}
    (job / "job.json").write_text(json.dumps(record))
    with pytest.raises(UsageError, match=r"made by barerail 9\.9"):
        do(job)
    (job / "job.json").write_text("{")
    with pytest.raises(UsageError, match="is no job record"):
        do(job)


def test_the_plain_method_gives_what_a_run_gives(tmp_path, stages):
    scan, settings = quick(tmp_path)
    outcome = do(tmp_path / "job", scan, settings=settings)
    result = process(readers.read([scan]), Settings())
    assert result.datum.origin == outcome.records["datum"].origin
    assert (result.clean.thin == outcome.records["clean"].thin).all()
    assert [p.name for p in result.points.points] == [p.name for p in outcome.records["points"].points]
