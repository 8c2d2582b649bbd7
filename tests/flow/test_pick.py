"""Pick lists: which points a rule takes, lists of one's own, what is shown and what is written."""

import csv
from dataclasses import replace
from pathlib import Path

import pytest
from outputs_case import LEFT, mount_points
from stand_ins import Stages, quick
from typer.testing import CliRunner

from barerail.cli import app
from barerail.errors import UsageError
from barerail.outputs.pick import picked, rules_of
from barerail.settings import OnlySettings, PickRule
from barerail.store import config

CONFIGS = Path(__file__).parents[2] / "configs"


def names(*rules: PickRule) -> list[str]:
    return [p.name for p in picked(mount_points(), rules).points]


def test_a_rule_takes_what_all_of_it_holds_for_and_a_list_what_any_rule_takes():
    assert names(PickRule(kinds=("stud",))) == ["=1+1"]
    assert names(PickRule(kinds=("hole", "slot"), x_mm=(600, 2000))) == [LEFT, "right hole"]
    assert names(PickRule(kinds=("hole",), y_mm=(0, 900), z_mm=(0, 200))) == [LEFT]
    assert names(PickRule(names=("RAIL*",))) == ["rail L"]
    assert names(PickRule(faces=("up",))) == [LEFT, "right hole", "x=1; y"]
    assert names(PickRule(kinds=("stud",)), PickRule(names=("pad",))) == ["=1+1", "pad"]
    assert len(names(PickRule())) == len(mount_points().points)


def test_pairs_stay_where_both_are_in_the_list_and_a_pattern_is_taken_by_its_name():
    assert len(picked(mount_points(), [PickRule(kinds=("hole",))]).pairs) == 1
    assert not picked(mount_points(), [PickRule(names=("right*",))]).pairs
    made = mount_points()
    foot = replace(made, points=(replace(made.points[0], group="square-f12-up-L"), *made.points[1:]))
    assert [p.name for p in picked(foot, rules_of(OnlySettings(), "cage")).points] == [LEFT]


def test_what_stands_nowhere_is_in_no_zone():
    assert "not there" in names(PickRule(kinds=("hole",)))
    assert "not there" not in names(PickRule(x_mm=(-9e9, 9e9)))


def test_lists_of_ones_own_are_read_and_an_unknown_one_names_those_there_are(tmp_path):
    lists = config.read(CONFIGS / "pick-lists.toml").only
    assert rules_of(lists, "tank") == (PickRule(names=("tank-*", "filler*")),)
    assert len(rules_of(lists, "suspension")) == 3 and rules_of(lists, "all") == (PickRule(),)
    with pytest.raises(UsageError, match="--only wheels: the lists are suspension, body, cage, cooler, tank, all"):
        rules_of(lists, "wheels")
    (tmp_path / "bad.toml").write_text('[[only.cooler]]\nkind = ["hole"]\n')
    with pytest.raises(UsageError, match=r"bad\.toml"):
        config.read(tmp_path / "bad.toml")


def call(*words: object):
    return CliRunner().invoke(app, [str(word) for word in words])


def test_points_shows_a_part_and_keeps_all_export_writes_a_part(tmp_path, monkeypatch):
    Stages(monkeypatch)
    scan, settings = quick(tmp_path)
    job = tmp_path / "job"
    assert call("run", scan, "--job", job, "--settings", settings).exit_code == 0
    shown = call("points", "--job", job, "--only", "suspension", "--quiet")
    assert "-L rail" in shown.stdout and "right hole" not in shown.stdout
    assert "right hole" in (job / "points.csv").read_text()
    assert call("export", "--job", job, "--only", "suspension", "--quiet").exit_code == 0
    lines = [line for line in (job / "export/points-suspension.csv").read_text().splitlines() if line[0] != "#"]
    assert {row["kind"] for row in csv.DictReader(lines)} == {"bolt-axis", "sleeve"}
    assert "right hole" in (job / "export/points.csv").read_text()
    result = call("export", "--job", job, "--only", "wheels", "--quiet")
    assert result.exit_code == 2 and "the lists are" in result.stderr
    settings.write_text(settings.read_text() + '[[only.suspension]]\nkinds = ["stud"]\n')
    assert call("export", "--job", job, "--settings", settings, "--only", "suspension", "-q").exit_code == 0
    assert "bolt-axis," not in (job / "export/points-suspension.csv").read_text()
