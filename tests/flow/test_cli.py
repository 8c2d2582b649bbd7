"""The commands as a user types them: exit codes, what goes to which stream, and that every error is one line."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
import scan_files
from cli_case import call, one_line
from stand_ins import Stages, quick

from barerail import __version__
from barerail.cli import main
from barerail.errors import DataError
from barerail.store import config

COMMANDS = (
    *("run", "look", "clean", "fit", "datum", "points", "straightness", "check", "export", "report", "template"),
    *("section", "sheets", "compare", "series", "config", "demo", "construct", "between", "bolt-on", "room", "cope"),
    *("flats", "opening"),
)


@pytest.fixture
def stages(monkeypatch) -> Stages:
    return Stages(monkeypatch)


def test_a_run_ends_with_datum_points_twist_and_paths_and_tells_its_stages_on_stderr(tmp_path, stages):
    scan, settings = quick(tmp_path)
    result = call("run", scan, "--job", tmp_path / "job", "--settings", settings)
    assert result.exit_code == 0, result.output
    order = [result.stdout.index(words) for words in ("Datum by", "right hole", "twist", "datum.json", "report.html")]
    assert order == sorted(order)
    lines = result.stderr.splitlines()
    told = [line.split()[0] for line in lines if not line.startswith(" ")]
    assert told == ["read", "clean", "fit", "datum", "points", "straightness", "check", "export", "report"]
    assert "1 hole, 1 face" in next(line for line in lines if line.startswith("fit"))
    assert "10500 points" in lines[0] and "! unit assumed to be mm" in lines[1]
    assert any(line.endswith("- speck: 60 (7)") for line in lines)
    again = call("run", scan, "--job", tmp_path / "job")
    assert again.stdout == result.stdout and again.stderr.count("skipped, nothing it rests on has changed") == 9


def test_quiet_leaves_results_only(tmp_path, stages):
    scan, settings = quick(tmp_path)
    result = call("run", scan, "--job", tmp_path / "job", "--settings", settings, "--quiet")
    assert result.exit_code == 0 and result.stderr == "" and "Datum by" in result.stdout


def test_every_stage_alone_on_the_same_folder(tmp_path, stages):
    scan, settings = quick(tmp_path)
    job = tmp_path / "job"
    assert call("clean", scan, "--job", job, "--settings", settings).exit_code == 0
    for stage in ("fit", "datum", "points", "straightness", "export", "report"):
        result = call(stage, "--job", job)
        assert result.exit_code == 0, result.output
        assert stages.done[-1] == (stage if stage != "export" else "straightness")
    assert (job / "report.html").exists()


@pytest.mark.parametrize("given", [["--front=-1,2.5,-3"], ["--front", "-1,2.5,-3"]])
def test_points_may_start_with_a_minus(tmp_path, stages, given):
    scan, settings = quick(tmp_path)
    assert call("run", scan, "--job", tmp_path / "job", "--settings", settings, *given).exit_code == 0
    record = json.loads((tmp_path / "job" / "job.json").read_text())
    assert record["settings"]["datum"]["front"] == [-1.0, 2.5, -3.0]


def test_confirm_takes_the_stamp_off(tmp_path, stages):
    scan, settings = quick(tmp_path)
    assert "UNCONFIRMED" in call("run", scan, "--job", tmp_path / "job", "--settings", settings).stdout
    assert "UNCONFIRMED" not in call("datum", "--job", tmp_path / "job", "--confirm").stdout
    assert "UNCONFIRMED" not in call("report", "--job", tmp_path / "job").stdout


def test_a_stage_alone_tells_which_results_it_took_away(tmp_path, stages):
    scan, settings = quick(tmp_path)
    call("run", scan, "--job", tmp_path / "job", "--settings", settings)
    result = call("datum", "--job", tmp_path / "job", "--front", "1,2,3")
    assert "removed, resting on what was before: points.csv," in result.stderr
    assert "run their commands again" in result.stderr
    assert result.stdout.splitlines()[-1].endswith("datum.json")


def test_wrong_use_and_unfit_data_are_one_line_with_code_2_and_3(tmp_path, stages):
    scan, _ = quick(tmp_path)
    few = scan_files.ply(tmp_path / "few.ply", scan_files.CLOUD[:100])
    job = tmp_path / "job"
    one_line(call("run", tmp_path / "none.ply", "--job", job), 2, "no such file")
    one_line(call("run", scan, scan, "--job", job), 2, "two scans are called frame.ply: rename one")
    one_line(call("fit", "--job", job), 2, "holds no job: start one with barerail run SCAN")
    one_line(call("run", scan, "--job", job, "--names", tmp_path / "no.csv"), 2, "can't read the names file")
    one_line(call("run", scan, "--job", job, "--settings", tmp_path / "no.toml"), 2, "can't read the settings file")
    one_line(call("run", scan, "--job", tmp_path), 2, "holds other things")
    assert not job.exists() or not (job / "datum.json").exists()
    few_job = call("run", few, "--job", tmp_path / "few", "--unit", "mm")
    one_line(few_job, 3, "few.ply holds 100 points: a chassis takes at least 10000")
    one_line(call("run", scan, "--job", tmp_path / "job2", "--unit", "m"), 3, "larger than 15 m: is --unit right?")


def test_a_stage_that_refuses_is_code_3_a_stop_130_and_a_fault_1(tmp_path, stages):
    scan, settings = quick(tmp_path)
    for error, code, words in [
        (DataError("datum: nothing mirrors"), 3, "barerail: datum: nothing mirrors"),
        (KeyboardInterrupt(), 130, "barerail: stopped; what was done is kept, the same command goes on from there"),
        (RuntimeError("boom"), 1, "barerail: a fault of the program (RuntimeError: boom)"),
        (MemoryError(), 3, "barerail: the memory of this machine is too small for this: thin the scan"),
    ]:
        stages.fault["datum"] = error
        result = call("run", scan, "--job", tmp_path / "job", "--settings", settings)
        assert result.exit_code == code and result.stdout == ""
        (line,) = [line for line in result.stderr.splitlines() if line.startswith("barerail")]
        assert line.startswith(words) and "Traceback" not in result.stderr
    assert stages.done == ["clean", "fit"]


@pytest.mark.parametrize(
    "words, said",
    [
        (["run"], "Missing argument 'SCAN'; barerail run -h says what it takes"),
        (["run", "a.ply"], "Missing option '--job'"),
        (["run", "a.ply", "--job", "j", "--front", "1,2"], "'1,2' is no point: give three numbers with commas"),
        (["run", "a.ply", "--job", "j", "--unit", "yard"], "'yard' is not one of 'mm', 'cm', 'm', 'in', 'ft'"),
        (["dattum"], "Did you mean 'datum'?; barerail -h says what it takes"),
        (["--fast"], "No such option: --fast"),
        (["fit", "--job", "j", "--fast"], "No such option: --fast"),
    ],
)
def test_wrong_words_are_code_2(words, said):
    one_line(call(*words), 2, said)


def test_help_names_no_types_of_the_program():
    for command in COMMANDS:
        told = call(command, "-h")
        assert told.exit_code == 0 and not re.search(r"<(list|path|str|float|int)\b", told.stdout, re.I), told.stdout
    none = call()
    assert none.exit_code == 2 and none.stdout == "" and "Commands:" in none.stderr


def test_a_fault_outside_a_job_is_one_line_too(monkeypatch, capsys):
    def broken() -> str:
        raise RuntimeError("boom")

    monkeypatch.setattr(config, "defaults_toml", broken)
    monkeypatch.setattr("sys.argv", ["barerail", "config"])
    with pytest.raises(SystemExit) as stop:
        main()
    out, err = capsys.readouterr()
    assert stop.value.code == 1 and out == ""
    assert (
        err.startswith("barerail: a fault of the program (RuntimeError: boom) in test_cli.py line ")
        and err.count("\n") == 1
    )


def test_config_prints_and_checks(tmp_path):
    assert call("config").stdout == config.defaults_toml()
    path = tmp_path / "mine.toml"
    path.write_text(config.defaults_toml())
    assert call("config", "--check", path).stdout == f"{path} is good\n"
    path.write_text("[fit]\nhole_min = 3\n")
    one_line(
        call("config", "--check", path), 2, "mine.toml line 2: unknown setting fit.hole_min; did you mean hole_min_mm?"
    )


def test_help_shows_each_command_with_an_example():
    assert all(command in call("--help").stdout for command in COMMANDS)
    for command in COMMANDS:
        result = call(command, "--help")
        assert result.exit_code == 0 and f"  barerail {command}" in result.stdout
    assert call("--version").stdout == f"barerail {__version__}\n"


def test_the_demo_runs_on_a_scan_it_makes_with_front_and_above_from_the_truth(tmp_path, stages, monkeypatch):
    import barerail.scene as scene

    small = scene.SceneCase(chassis="ladder", small=True, spacing_mm=8.0, one_sided=0, clutter=0)
    monkeypatch.setattr(scene, "demo_case", lambda: small)
    result = call("demo", "--job", tmp_path / "demo")
    assert result.exit_code == 0, result.output
    truth = json.loads((tmp_path / "demo-scan" / "truth.json").read_text())
    record = json.loads((tmp_path / "demo" / "job.json").read_text())
    ahead, over = (record["settings"]["datum"][key] for key in ("front", "above"))
    scan_from_car = truth["scan_from_car"]
    middle = sum(truth["x_range"]) / 2

    def to_car(point: list[float]) -> list[float]:
        off = [p / truth["unit_scale"] - row[3] for p, row in zip(point, scan_from_car)]
        return [sum(row[i] * d for row, d in zip(scan_from_car, off)) for i in range(3)]

    assert to_car(ahead)[0] > truth["x_range"][1] and abs(to_car(ahead)[1]) < 0.01
    assert to_car(over) == pytest.approx([middle, 0, 3000], abs=0.01)
    assert "scan.ply" in result.stderr and "report.html" in result.stdout
    assert "set in this job since" not in call("demo", "--job", tmp_path / "demo").stderr
    assert call("datum", "--job", tmp_path / "demo", "--axes", "iso4130").exit_code == 0
    assert "set in this job since and kept: datum; the plain demo" in call("demo", "--job", tmp_path / "demo").stderr


def test_several_scans_are_joined_and_each_pose_stands_in_job_json(tmp_path, stages):
    scan, settings = quick(tmp_path)
    other = scan_files.ply(tmp_path / "rear.ply", scan_files.MESH_POINTS)
    common = tmp_path / "targets.csv"
    common.write_text("point,scan,x,y,z\nT1,frame.ply,1,2,3\nT1,rear.ply,4,5,6\n")
    job = tmp_path / "job"
    result = call("run", scan, other, "--job", job, "--settings", settings, "--common", common)
    assert result.exit_code == 0 and stages.done[:3] == ["join", "clean", "fit"]
    assert [c.position for c in stages.common] == [(1.0, 2.0, 3.0), (4.0, 5.0, 6.0)]
    assert (
        "2 scans, 21500 points" in result.stderr and "2 scans, 1 pair" in result.stderr and "- joined" in result.stderr
    )
    record = json.loads((job / "job.json").read_text())
    assert record["stages"]["join"]["poses"]["rear.ply"][0] == [1.0, 0.0, 0.0, 1.0]
    assert record["stages"]["join"]["poses"]["frame.ply"] == np.eye(4).tolist()
    assert "work/join-points.npy" in record["stages"]["join"]["outputs"]
    before = list(stages.done)
    again = call("run", scan, other, "--job", job)
    assert again.stdout == result.stdout and stages.done == before  # the job kept the common points
    one_line(call("run", scan, other, "--job", job, "--common", tmp_path / "no.csv"), 2, "can't read the common points")


def test_check_judges_lengths_and_files_carry_the_outcome(tmp_path, stages):
    scan, settings = quick(tmp_path)
    job, tape = tmp_path / "job", tmp_path / "tape.csv"
    result = call("run", scan, "--job", job, "--settings", settings)
    assert "SCALE NOT CHECKED: measure the lengths in to-measure.csv by hand" in result.stdout
    assert "# scale: SCALE NOT CHECKED: measure" in (job / "export" / "points.csv").read_text()
    assert (job / "to-measure.csv").read_text().splitlines()[2] == "a,b,length_mm,U_mm"
    tape.write_text("a,b,length_mm,U_mm\nright hole,rail L,1296.0,0.5\n")
    result = call("check", tape, "--job", job)
    assert result.exit_code == 0 and "DISAGREES" in result.stdout and "Datum by" not in result.stdout
    for name in ("export/points.csv", "points.csv", "points.json", "pairs.csv"):
        assert "SCALE NOT CHECKED: 1 of 1 hand measurements disagree" in (job / name).read_text()
    good = float(np.linalg.norm(np.subtract((1013.0, -402.0, 100.0), (0.0, 400.0, 50.0))))
    tape.write_text(f"a,b,length_mm,U_mm\nright hole,rail L,{good + 0.2:.2f},0.5\n")
    result = call("check", tape, "--job", job)
    assert "agrees" in result.stdout and "scale checked by 1 hand measurement:" in result.stdout
    assert "only 1 of the 3 hand measurements" in result.stderr
    for name in ("export/points.csv", "points.csv", "points.json", "pairs.csv"):
        text = (job / name).read_text()
        assert "SCALE NOT" not in text and "scale checked by 1 hand measurement: hand over scan" in text
    outcome = json.loads((job / "check.json").read_text())
    assert outcome["state"] == "passed" and outcome["lengths"][0]["difference_mm"] == pytest.approx(0.2, abs=0.006)
    assert stages.done.count("points") == 1  # nothing before the check is done again
    more = call("check", "--job", job, "--scale-check", f"right hole-rail L={good * 1.01:.1f}+-0.3")
    assert "1 of 2 hand measurements disagree" in more.stdout and "--scale 1.0" in more.stdout
    odd = call("check", "--job", job, "--scale-check", "right hole=12", "--quiet")
    one_line(odd, 2, "--scale-check: 'right hole' holds no two points' names; give two point names and a length in mm")


def test_the_worked_example_of_a_given_datum_is_good():
    path = Path(__file__).parents[2] / "configs" / "datum-given.toml"
    assert call("config", "--check", path).stdout == f"{path} is good\n"
