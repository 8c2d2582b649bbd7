"""Lists of constructed points as users type them, and the command."""

import json

import pytest
from stand_ins import Stages, quick
from typer.testing import CliRunner

from barerail.cli import app
from barerail.errors import UsageError
from barerail.store.constructions import constructions
from barerail.store.names import parse

GOOD = """
[[point]]
name = "over-tube"
how = "offset"
of = "-L rail"
along = "z"
by_mm = 20

[[point]]
name = "hub-L"
how = "entered"
at = [900, 700.5, 120]
U_mm = 1
"""


def test_a_list_is_read_in_order():
    over, hub = constructions(GOOD.encode(), "l.toml")
    assert (over.at, over.name, over.how, over.of) == (
        "l.toml point 1 (over-tube)",
        "over-tube",
        "offset",
        ("-L rail",),
    )
    assert over.values == {"along": "z", "by_mm": 20.0} and hub.values == {"at": (900.0, 700.5, 120.0), "U_mm": 1.0}
    assert constructions(b"# nothing yet\n", "l.toml") == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[point]\n", "l.toml is no TOML"),
        ("[[points]]\nname = 'a'", "'points' isn't known here"),
        ("[point]\nname = 'a'", "write [[point]]"),
        ("[[point]]\nhow = 'line'", "point 1 has no name"),
        ("[[point]]\nname = 'a'\nhow = 'midle'", "how = 'midle'; did you mean middle?"),
        ("[[point]]\nname = 'a'\nhow = 'offset'\nof = 'b'\nby_mm = 1", "offset needs along"),
        ("[[point]]\nname = 'a'\nhow = 'line'\nof = ['b', 'c']\nby_mm = 1", "line takes of, not by_mm"),
        ("[[point]]\nname = 'a'\nhow = 'line'\nof = 3", "of is a list of names"),
        ("[[point]]\nname = 'a'\nhow = 'entered'\nat = [1, 2]", "at is a list of 3 numbers, not [1, 2]"),
        ("[[point]]\nname = 'a'\nhow = 'entered'\nat = [1, 2, nan]", "at is a list of 3 numbers"),
        ("[[point]]\nname = 'a'\nhow = 'offset'\nof = 'b'\nalong = 'w'\nby_mm = 1", "along is one of axis, x, y, z"),
        ("[[point]]\nname = 'a'\nhow = 'eye'\nof = 'b'\nspacers_mm = [3, -1]", "it can't be less than 0"),
    ],
)
def test_faults_name_the_entry(text, words):
    with pytest.raises(UsageError) as told:
        constructions(text.encode(), "l.toml")
    assert words in str(told.value) and "\n" not in str(told.value)


def test_constructed_points_stand_in_the_job_and_in_exports_and_go_with_an_empty_list(tmp_path, monkeypatch):
    Stages(monkeypatch)
    scan, settings = quick(tmp_path)
    job, made, none = tmp_path / "job", tmp_path / "l.toml", tmp_path / "none.toml"
    made.write_text(GOOD)
    none.write_text("")

    def call(*words: object):
        return CliRunner().invoke(app, [str(word) for word in words])

    assert call("run", scan, "--job", job, "--settings", settings).exit_code == 0
    result = call("construct", made, "--job", job)
    assert result.exit_code == 0 and "over-tube" in result.stdout and "no strength check" in result.stdout
    held = json.loads((job / "constructed.json").read_text())["points"]
    assert [(p["name"], p["state"]) for p in held] == [("over-tube", "constructed"), ("hub-L", "entered")]
    assert call("export", "--job", job).exit_code == 0
    exported = (job / "export" / "points.csv").read_bytes()
    assert b"over-tube,axis," in exported and b"hub-L,point," in exported
    assert {"over-tube", "hub-L"}.isdisjoint(w.name for w in parse(exported, "points.csv").wanted)
    assert call("construct", none, "--job", job).exit_code == 0
    assert call("export", "--job", job).exit_code == 0
    assert b"over-tube" not in (job / "export" / "points.csv").read_bytes()
