"""Exports, drawings and names on the command line: what stands, what is refused, what is remembered."""

import json

import pytest
from cli_case import call, done_job, in_export, one_line, one_line_last
from stand_ins import quick

from barerail import run
from barerail.errors import DataError
from barerail.records import MountPoints


def test_an_export_in_other_axes_stands_beside_the_first_and_is_not_remembered(tmp_path, stages):
    job = done_job(tmp_path)
    before = {name: (job / "export" / name).read_bytes() for name in ("points.csv", "chassis.ply")}
    words = ("--axes", "iso4130", "--unit", "in", "--decimal", ",", "--format", "csv,json,axes")
    result = call("export", "--job", job, *words)
    assert result.exit_code == 0, result.output
    made = {"points-iso4130-in.csv", "points-iso4130-in.json", "bolt-axes-iso4130-in.csv"}
    assert {line.rsplit("/", 1)[-1] for line in result.stdout.split()} == made
    assert in_export(job) == made | set(before) and (job / "report.html").exists()
    assert {name: (job / "export" / name).read_bytes() for name in before} == before
    settings = json.loads((job / "job.json").read_text())["settings"]["export"]
    assert settings["axes"] == "datum" and settings["unit"] == "mm"
    call("points", "--job", job, "--settings", tmp_path / "quick.toml")
    call("datum", "--job", job, "--front", "9,9,9")
    assert in_export(job) == set()


def test_a_changed_export_is_kept_and_a_failed_one_leaves_all_as_it_was(tmp_path, stages, monkeypatch):
    job = done_job(tmp_path)
    before = in_export(job)
    from barerail.outputs import dxf

    def broken(*given):
        raise DataError("no drawing today")

    monkeypatch.setattr(dxf, "points_dxf", broken)
    one_line_last(call("export", "--job", job, "--axes", "iso4130", "--format", "csv,json,dxf"), 3, "no drawing today")
    assert in_export(job) == before
    (job / "export" / "points.csv").write_text("mine")
    call("export", "--job", job, "--format", "csv")
    assert (job / "export" / "points.csv.changed").read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("export", "--ride-front", "100,20"), 2, "takes two stations"),
        (("export", "--ride-front", "100,20", "--ride-rear", "100,30"), 2, "must lie further apart"),
        (("export", "--ride-front", "100"), 2, "'100' is no station"),
        (("export", "--format", "dwg"), 2, "export: formats = 'dwg': input should be 'csv', 'json'"),
        (("export", "--format", "glb"), 2, "the scan is a point cloud: glb hold triangles"),
        (("export", "--unit", "yd"), 2, "'yd' is not one of 'mm', 'm', 'in'"),
        (("template",), 2, "either --face NAME or --points"),
        (("template", "--face", "nobody"), 2, "no point is named 'nobody'; did you mean node?"),
        (("section", "--points", "pad,rail L,right-hole"), 2, "'right-hole'; did you mean right hole?"),
        (("template", "--face", "right hole"), 3, "right hole was not measured"),
        (("template", "--face", "pad", "--size", "M10"), 2, "give NAME=SIZE"),
        (("template", "--face", "pad", "--quantity", "0"), 2, "quantity"),
        (("section",), 2, "takes one plane"),
        (("section", "--x", "90000"), 3, "misses the chassis"),
        (("section", "--points", "a,b"), 2, "three names"),
    ],
)
def test_what_cannot_be_drawn_is_one_line_and_leaves_no_file(tmp_path, stages, words, code, said):
    job = done_job(tmp_path)
    before = in_export(job)
    result = call(words[0], "--job", job, *words[1:])
    assert result.exit_code == code and said in result.stderr and "Traceback" not in result.stderr
    assert in_export(job) == before


def test_no_template_from_a_guess_and_nothing_to_export(tmp_path, stages, monkeypatch):
    scan, settings = quick(tmp_path)
    job = tmp_path / "job"
    call("run", scan, "--job", job, "--settings", settings)
    one_line_last(call("template", "--job", job, "--face", "pad"), 2, "UNCONFIRMED: front guessed")
    monkeypatch.setattr(run, "points", lambda *given: MountPoints((), ()))
    call("points", "--job", job, "--names", _names(tmp_path))
    one_line_last(call("export", "--job", job), 3, "no points to export")


def _names(folder):
    path = folder / "names.csv"
    path.write_text("name,kind,x_mm,y_mm,z_mm\nA,hole,1,2,3\n")
    return path


def test_require_is_code_3_with_each_missing_name_and_its_why_and_keeps_the_files(tmp_path, stages):
    scan, settings = quick(tmp_path)
    job, file = tmp_path / "job", tmp_path / "names.csv"
    call("run", scan, "--job", job, "--settings", settings)
    one_line(call("points", "--job", job, "--require", "--quiet"), 2, "--require is about the points that a names file")
    one_line(call("points", "--job", job, "--mirror", "average", "--quiet"), 2, "give one with --names FILE")
    file.write_text("name,kind,x_mm,y_mm,z_mm\nnot there,hole,1,2,3\n")
    result = call("points", "--job", job, "--names", file, "--require", "--quiet")
    one_line(result, 3, "--require: not found in the scan: not there ()")
    assert "not there,hole,L" in (job / "points.csv").read_text()
    assert call("points", "--job", job, "--quiet").exit_code == 0
    assert call("points", "--job", job, "--mirror", "up-to-down").exit_code == 2


def test_the_job_remembers_how_points_are_mirrored_until_told_otherwise(tmp_path, stages):
    scan, settings = quick(tmp_path)
    job, file = tmp_path / "job", tmp_path / "names.csv"
    file.write_text("name,kind,x_mm,y_mm,z_mm\na-L,hole,1,2,3\n")
    told = lambda: json.loads((job / "job.json").read_text())["settings"]["points"]["mirror"]  # noqa: E731
    call("run", scan, "--job", job, "--settings", settings, "--names", file, "--mirror", "left-to-right")
    assert told() == "left-to-right"
    call("points", "--job", job)
    assert told() == "left-to-right"
    call("points", "--job", job, "--mirror", "none")
    assert told() == "none"
