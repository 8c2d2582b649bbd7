"""The part commands as a user types them: sheets on stdout, files in export/, faults in one line."""

import pytest
from cli_case import call, one_line
from stand_ins import Stages, quick


@pytest.fixture
def job(tmp_path, monkeypatch):
    Stages(monkeypatch)
    scan, settings = quick(tmp_path)
    assert call("run", scan, "--job", tmp_path / "job", "--settings", settings).exit_code == 0
    return tmp_path / "job"


def test_between_prints_its_sheet_and_writes_three_files(job):
    result = call("between", "right hole", "rail L", "--job", job, "--title", "t", "-q")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("From right hole to rail L") and "a fit is no strength check" in " ".join(
        result.stdout.split()
    )
    assert "seen from above (plan), from the side, from ahead (front)" in " ".join(result.stdout.split())
    assert sorted(p.name for p in (job / "export").glob("between-*")) == [
        f"between-t.{e}" for e in ("csv", "json", "txt")
    ]
    again = call("between", "right hole", "rail L", "--job", job, "--title", "t")
    assert "skipped, nothing it rests on has changed" in again.stderr and again.stdout == result.stdout


def test_bolt_on_reads_a_changed_part_again(job, tmp_path):
    part = tmp_path / "plate.csv"
    part.write_text("x_mm,y_mm,diameter_mm,point\n0,0,11,right hole\n1113,0,11,pad\n")
    first = call("bolt-on", part, "--job", job, "--bolt", "M10", "-q")
    assert first.exit_code == 0, first.output
    assert "goes on" in first.stdout and (job / "export" / "bolt-on-plate.json").exists()
    part.write_text("x_mm,y_mm,diameter_mm,point\n0,0,12,right hole\n1113,0,12,pad\n")
    assert call("bolt-on", part, "--job", job, "--bolt", "M10", "-q").stdout != first.stdout


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("between", "right hole", "rail M"), 2, "no point is named 'rail M'; did you mean rail L?"),
        (("bolt-on", "no.csv"), 2, "can't read the part no.csv"),
        (("room", "part.obj"), 2, "can't read the part part.obj"),
        (("cope", "rail L", "node", "--wall", "2"), 3, "node is a tube-node without an axis"),
        (("flats", "--at", "1,2"), 2, ""),
        (("flats",), 2, "takes either --near NAME or --at X,Y,Z"),
        (("construct", "none.toml"), 2, "can't read the list of constructed points none.toml"),
        (("opening", "--face", "nothing"), 2, "no panel from a guessed datum"),
    ],
)
def test_faults_are_one_line(job, words, code, said):
    result = call(words[0], *words[1:], "--job", job, "-q")
    assert result.exit_code == code
    if said:
        one_line(result, code, said)
