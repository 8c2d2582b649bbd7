"""What tests of the command line share: calling it, a finished job, and errors of one line."""

from stand_ins import quick
from typer.testing import CliRunner

from barerail.cli import app


def call(*words: object):
    return CliRunner().invoke(app, [str(word) for word in words])


def one_line(result, code: int, words: str) -> None:
    assert result.exit_code == code, result.output
    assert result.stdout == "" and result.stderr.startswith("barerail: ") and result.stderr.count("\n") == 1
    assert words in result.stderr


def done_job(tmp_path):
    scan, settings = quick(tmp_path)
    job = tmp_path / "job"
    assert call("run", scan, "--job", job, "--settings", settings, "--front", "1,0,0").exit_code == 0
    return job


def in_export(job) -> set[str]:
    return {path.name for path in (job / "export").iterdir()}


def one_line_last(result, code: int, words: str) -> None:
    assert result.exit_code == code and result.stdout == "" and "Traceback" not in result.stderr
    last = result.stderr.splitlines()[-1]
    assert last.startswith("barerail: ") and words in last, result.stderr
