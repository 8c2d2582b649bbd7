"""Words and text tables: aligned, with U, and honest about what isn't known."""

import re
from dataclasses import replace

import numpy as np
import pytest
from outputs_case import LEFT, datum, mount_points, point, straightness

from barerail.outputs.cells import json_text
from barerail.outputs.datum_words import datum_words
from barerail.outputs.sides import one_sided, pairs_table, sides_words
from barerail.outputs.words import (
    AXES,
    CAUTIONS,
    fixed,
    points_table,
    stamp,
    straightness_words,
)
from barerail.records import Bay, Measure, MountPoints, Reading


def test_axes_words_are_right_handed():
    towards = {
        "forward": (1, 0, 0),
        "rearward": (-1, 0, 0),
        "left": (0, 1, 0),
        "right": (0, -1, 0),
        "up": (0, 0, 1),
        "down": (0, 0, -1),
    }
    for words in AXES.values():
        assert np.linalg.det([towards[word] for word in words]) == pytest.approx(1)


@pytest.mark.parametrize("guessed", ["front", "above", "unit"])
def test_a_guess_of_front_above_or_unit_is_stamped(guessed):
    assert stamp(datum(assumed=(guessed, "drift"))).startswith(f"UNCONFIRMED: {guessed} guessed")
    assert f"--{guessed}" in datum_words(datum(assumed=(guessed,)))
    assert "UNCONFIRMED" in datum_words(datum(assumed=(guessed,)))


def test_other_assumptions_are_said_but_not_stamped():
    made = datum(assumed=("origin", "drift", "supports"))
    assert stamp(made) == ""
    assert "slow drift" in datum_words(made) and "frame stood" in datum_words(made)


def test_datum_words_say_origin_U_and_what_it_means_far_away():
    said = datum_words(replace(datum(), evidence={**datum().evidence, "seen_x_mm": [-2400.0, 600.0]}))
    assert datum().origin in said and "by symmetry" in said
    assert "roll 0.012 deg, pitch 0.023 deg, yaw 0.035 deg; x 0.40 mm, y 0.10 mm, z 0.20 mm" in said
    # by hand: 2 sqrt(0.0025 + 2400^2 9e-8) = 1.44 mm, 2 sqrt(0.01 + 2400^2 4e-8) = 0.98 mm, rounded up
    assert "x = -2400 mm that is U 1.5 mm sideways and 0.99 mm in height" in said
    assert "83 % of the surface has its mirror image" in said and "scores 2.6 times the next best" in said
    assert "rests on 2 left/right pairs" in said and "left out 1 pair: too far off" in said


def test_points_table_aligns_numbers_and_says_what_is_missing():
    lines = points_table(mount_points()).splitlines()
    head, rows = lines[0], lines[1:-1]
    end = head.index("x mm") + len("x mm")
    assert len(rows) == len(mount_points().points)
    ends = {line[:end].rstrip()[-3:] for line in rows if "日本" not in line and "not there" not in line}
    assert ends == {".35", ".00"}
    assert "missing" in rows[-1] and "nan" not in points_table(mount_points())
    assert rows[0].split()[-3:] == ["0.40", "10.50", "0.06"]
    assert lines[-1].startswith("U: k = 2")


def test_a_name_cannot_break_the_table():
    made = MountPoints((point("a\nb\x1b[2J", "hole", (0.0, 0, 0), (0.0, 0, 1)),), ())
    assert len(points_table(made).splitlines()) == 3 and "\x1b" not in points_table(made)


def test_pairs_table_puts_the_largest_first():
    rows = pairs_table(mount_points()).splitlines()
    # by hand: sqrt(0.6543^2 + 0.5^2 + 0.125^2) = 0.833
    cells = ["0.83", "0.65", "0.40", "-0.50", "0.20", "-0.12", "0.02"]
    assert rows[1].startswith(LEFT) and rows[1].split()[-10:] == [*cells, "larger", "than", "U"]
    assert rows[2].endswith("within U")


def test_what_stands_on_one_side_only_is_said():
    made = mount_points()
    alone = [p.name for p in one_sided(made)]
    assert "rail L" in alone and LEFT not in alone and "not there" not in alone
    said = " ".join(sides_words(made).split())
    assert said.startswith("Left against right") and f"on one side only: {', '.join(alone)}" in said
    assert "no left/right pairs" in sides_words(MountPoints(made.points, ()))


def test_nothing_that_rounds_to_zero_has_a_minus():
    small = dict.fromkeys(("twist_deg", "diamond_mm"), Measure(-1e-4, 0.5, "mm"))
    bay = Bay((Reading("left side", "a", "b", 1.0, 1.0, 0.1),) * 6, -0.01, 0.2, -0.02)
    said = straightness_words(replace(straightness(), measures=small, bays=(bay,), sits_mm=(-0.2, 9.0)))
    evidence = {"rails_to_datum": {"pitch_deg": -1e-5}, "twist_of_primary_mm": -1e-3, "twist_of_primary_U_mm": 0.2}
    moved = datum_words(replace(datum(), evidence=evidence))
    assert "+0.00" in said and "+0.000 deg" not in moved and "pitch 0.000 deg" in moved
    assert not re.search(r"-0\.?0*(?![0-9.])", said + moved)
    assert fixed(-0.004, 2) == "0.00" and fixed(-0.004, 2, "+") == "+0.00" and fixed(-0.006, 2, "+") == "-0.01"
    assert json_text({"a": -0.0, "b": np.array([-0.0])}) == b'{"a": 0.0, "b": [0.0]}\n'


def test_straightness_words():
    said = straightness_words(straightness())
    assert "+0.251  0.021                      deg" in said
    assert "not determinable: sag: it needs a drawing or an earlier scan" in said
    assert "not proven: limit 3.5 mm" in said and "gauge width 801.0 mm, 2 of 3 stations used" in said
    assert "positive: the left rail is the higher one" in " ".join(said.split())
    assert max(map(len, said.splitlines())) <= 120


def test_cautions_name_the_checks_before_cutting():
    assert any("three hand measurements" in c for c in CAUTIONS) and any("Not proven" in c for c in CAUTIONS)
