"""Figures, marks and plots of the page as in the records."""

import numpy as np
import pytest
from outputs_case import datum, features, mount_points, point, straightness
from page_case import Page, made

from barerail.outputs.page_checks import distance_U, hand_checks
from barerail.outputs.page_straight import straight_figure
from barerail.outputs.page_tables import measure_rows, pair_rows
from barerail.outputs.page_view import MARKS, traces, with_u
from barerail.records import (
    MountPoints,
    NoiseModel,
)


def test_no_two_kinds_share_a_symbol():
    assert len({symbol for symbol, _ in MARKS.values()}) == len(MARKS)


def test_tube_is_drawn_from_end_to_end():
    ends = np.array([(0.0, -300.0, 50.0), (0.0, 300.0, 50.0)])
    tube = point("t", "tube", (0.0, 0.0, 50.0), (0.0, 1, 0), length=600.0, ends=ends)
    low, high = np.full(3, -400.0), np.full(3, 400.0)
    cards = [{"name": "t", "at": [0.0, 0.0, 50.0], "details": [("kind", "tube")]}]
    drawn = traces(features(), datum(), MountPoints((tube,), ()), cards, low, high)
    line = next(t for t in drawn if t["meta"].get("kind") == "tube" and t["mode"] == "lines")
    assert line["y"][:2] == [-300.0, 300.0]


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [(12.345, 0.0101, "12.35 ± 0.02 mm"), (-0.001, 0.5, "0.00 ± 0.50 mm"), (3.0, np.nan, "3.00 mm"), (np.nan, 1.0, "")],
)
def test_value_with_u_never_understates_u(value, u, text):
    assert with_u(value, u, "mm") == text


def test_hand_checks_are_two_lengths_and_a_diagonal_of_sure_points():
    spots = {"FL": (1000.0, 400.0), "FR": (1000.0, -400.0), "RL": (-1000.0, 400.0), "RR": (-1000.0, -400.0)}
    sure = [point(name, "hole", (*at, 50.0), (0.0, 0, 1)) for name, at in spots.items()]
    poor = point("poor", "hole", (1900.0, 400.0, 50.0), (0.0, 0, 1), cov_local=np.eye(3) * 4.0)
    guess = point("guess", "hole", (1900.0, -400.0, 50.0), (0.0, 0, 1), state="mirrored")
    noise = NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2)
    checks = hand_checks((*sure, poor, guess), noise)
    assert [c.what for c in checks] == ["length along the car", "length across the car", "diagonal"]
    assert [round(c.distance_mm, 3) for c in checks] == [2000.0, 800.0, round(float(np.hypot(2000, 800)), 3)]
    assert not {"poor", "guess"} & {p.name for c in checks for p in (c.a, c.b)}
    # By hand: 2 sqrt(2 * 0.0004 + 2 * 0.05^2 + (0.2 * 2)^2)
    assert checks[0].U_mm == pytest.approx(2 * np.sqrt(0.0008 + 0.005 + 0.16), rel=1e-12)
    assert distance_U(sure[0], sure[1], noise) < checks[0].U_mm
    in_the_air = point("far-bracket", "bolt-axis", (1100.0, 400.0, 50.0), (1.0, 0, 0))
    assert [c.distance_mm for c in hand_checks((*sure, in_the_air), noise)] == [c.distance_mm for c in checks]
    assert "far-bracket" in {c.b.name for c in hand_checks((in_the_air, sure[2]), noise)}, "where nothing else is"


def test_hand_checks_say_where_there_are_too_few_points():
    few = MountPoints((point("only", "hole", (0.0, 300.0, 0.0), (0.0, 0, 1)),), ())
    assert hand_checks(few.points, NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2)) == []
    assert any("Fewer than three distances" in text for text in Page(made(points=few)).texts)


def test_pairs_largest_first_and_flagged_beyond_u():
    rows = pair_rows(mount_points())
    lengths = [float(row.cells[5]) for row in rows]
    assert lengths == sorted(lengths, reverse=True)
    assert [row.flag for row in rows] == [True, False]
    assert rows[0].cells[6] == "larger than U"


def test_measure_without_value_gives_its_reason():
    rows = {row.cells[0]: row for row in measure_rows(straightness())}
    assert rows["sag"].cells[1:] == ("not determinable", "it needs a drawing or an earlier scan")
    assert rows["diamond"].cells[1] == "-0.40 ± 0.90 mm"


def test_plot_bands_are_u_and_the_line_is_the_reported_twist():
    figure = straight_figure(straightness(), datum())["data"]
    height = next(t for t in figure if t.get("name") == "left rail")
    assert height["x"] == [-1000.0, 1000.0] and height["customdata"] == [0.1, 0.1]  # 2 sqrt(0.0025)
    band = next(t for t in figure if t.get("fill") and t["yaxis"] == height["yaxis"])
    assert band["y"] == [50.1, 50.1, 49.9, 49.9]
    left_out = [t for t in figure if t["mode"] == "markers"]
    assert left_out and all(t["x"] == [0.0] for t in left_out)
    line = next(t for t in figure if t.get("name", "").startswith("line fitted"))
    assert line["y"][1] - line["y"][0] == pytest.approx(0.2512345, abs=2e-4)
