"""Settings files: the defaults as they stand in the code, and every fault with its line."""

from pathlib import Path

import pytest

from barerail.errors import UsageError
from barerail.settings import Settings
from barerail.store import config

CONFIGS = Path(__file__).parents[2] / "configs"


def read(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "mine.toml"
    path.write_text(text)
    return config.read(path)


def test_default_file_is_what_the_code_says():
    assert (CONFIGS / "default.toml").read_text("utf-8") == config.defaults_toml()
    assert config.read(CONFIGS / "default.toml") == Settings()


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_example_is_good_and_only_the_default_changes_nothing(path):
    assert (config.read(path) == Settings()) == (path.stem == "default")


def test_defaults_tell_every_setting_with_what_it_may_be():
    text = config.defaults_toml()
    for section, field in Settings.model_fields.items():
        assert f"\n[{section}]\n" in text
        for key, entry in field.annotation.model_fields.items():
            assert entry.description and entry.description in text and f"{key} = " in text
    assert "[one of auto, mm, cm, m, in, ft]" in text and "# front = (not set)" in text


@pytest.mark.parametrize(
    "text, words",
    [
        ("[fit]\nhole_min=3\n", "mine.toml line 2: unknown setting fit.hole_min; did you mean hole_min_mm?"),
        ("\n[ftt]\na=1\n", "mine.toml line 2: unknown setting ftt; did you mean fit?"),
        ("[report]\n\nxyzzy=3\n", "mine.toml line 3: unknown setting report.xyzzy; known here: page_triangles"),
        (
            "[fit]\n\nhole_min_mm = -3\n",
            r"line 3: fit.hole_min_mm = -3: input should be greater than 0 \(.*diameter, mm",
        ),
        ("fit.hole_min_mm = 0\n", r"line 1: fit.hole_min_mm = 0: .*greater than 0 \(.*mm"),
        ("fit = {hole_min_mm = 0}\n", "line 1: fit.hole_min_mm = 0"),
        ("[read]\nunit = 'yard'\n", "line 2: read.unit = 'yard': input should be 'auto', 'mm'"),
        ("[datum]\nfront = [1, 2]\n", "line 2: datum.front"),
        ("[straightness.limits]\ntwist_mm = -1\n", "straightness.limits = -1: .*greater than 0"),
        (
            "[clean]\nvoxel_mm = -1\n[fit]\nhole_max_mm = 'a'\n",
            "line 2: clean.voxel_mm.*; mine.toml line 4: fit.hole_max",
        ),
        ("[fit\n", "mine.toml is no TOML: .*line 1"),
    ],
)
def test_faults_are_named_with_their_line(tmp_path, text, words):
    with pytest.raises(UsageError, match=words):
        read(tmp_path, text)


def test_a_missing_file_is_said_to_be_missing(tmp_path):
    with pytest.raises(UsageError, match=r"can't read the settings file .*none.toml: No such file"):
        config.read(tmp_path / "none.toml")


def test_changes_from_the_command_line_go_over_the_file(tmp_path):
    settings = config.changed(read(tmp_path, "[fit]\nhole_min_mm = 7.0\n"), {"datum.front": (1.0, -2.0, 3.0)})
    assert settings.fit.hole_min_mm == 7.0 and settings.datum.front == (1.0, -2.0, 3.0)
    with pytest.raises(UsageError, match=r"the command line: read.unit = 'yard'"):
        config.changed(settings, {"read.unit": "yard"})
