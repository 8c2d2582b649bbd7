"""What a comparison writes: tables with units and U, words a welder can use, a page that fetches nothing."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import outputs_case as case
import pytest
from typer.testing import CliRunner

from barerail.asked import CompareSettings
from barerail.cli import app
from barerail.comparing import told_apart
from barerail.errors import UsageError
from barerail.outputs.moved import moved_files, moved_words
from barerail.outputs.page_moved import arrow_factor, compare_html, full_scale
from barerail.records import DistanceMap, Measure, MountPoints, Moves, Note, RailShift, Shift, Unmoved
from barerail.settings import ReportSettings
from barerail.store.tables import limits


def shift(name: str, d: tuple[float, float, float], state: str, **more: object) -> Shift:
    size = float(np.linalg.norm(d))
    at, way = np.array([500.0, 400, 50]), np.array(d)
    return Shift(name, "hole", "L", at, way, way, 0.04 * np.eye(3), size, 0.4, state, **more)


def moves() -> Moves:
    places, grip = np.zeros((4, 3)), np.tile(np.eye(3), (4, 1, 1))
    unmoved = Unmoved(np.eye(4), np.zeros(3), 1e-6 * np.eye(6), places, grip, 0.8, 0.07, 0.02, "found")
    nan = np.full(3, np.nan)
    lost = replace(shift("gone-L", (0, 0, 0), "not found"), shift=nan, cov=np.full((3, 3), np.nan), size_mm=np.nan)
    words = "lower front left: 1.8 ± 0.4 mm inboard"
    moved = shift("a <b>-L", (0, -1.8, 0), "moved", limit_mm=1.0, verdict="outside", words=words)
    rng = np.random.default_rng(1)
    at = rng.uniform(-500, 500, (300, 3))
    distance = np.where(at[:, 0] > 0, 0.1, np.nan)
    rail = RailShift("L", at[:5], np.zeros((5, 3)), 0.2 * np.ones((5, 3)), np.zeros(5), np.ones(5))
    measures = {
        "twist_deg": Measure(0.1, 0.05, "deg", "", 0.02, 0.04),
        "sag_mm": Measure(None, None, "mm", "left open"),
    }
    still = shift("b-L", (0.1, 0, 0), "no movement above U", limit_mm=1.0, verdict="within")
    moved = replace(moved, U_drift_mm=0.123, U_supports_mm=0.31)
    return Moves(unmoved, (moved, still, lost), {}, ("new-1",), measures, (rail,),
                 DistanceMap(at, distance, np.full(300, 0.3)), (Note("compare", "laid on what stayed"),),
                 ("drift", "supports"))  # fmt: skip


def test_tables_say_unit_axes_u_and_the_limits_owner() -> None:
    files = moved_files(moves(), case.datum())
    text = files["compare/moved.csv"].decode()
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert [r["name"] for r in rows] == ["a <b>-L", "b-L", "gone-L"]
    assert (rows[0]["dy_mm"], rows[0]["U_dy_mm"], rows[0]["verdict"]) == ("-1.800", "0.400", "outside")
    assert (rows[0]["U_drift_mm"], rows[0]["U_supports_mm"]) == ("0.123", "0.310")
    assert rows[2]["dx_mm"] == "" and rows[2]["state"] == "not found"
    for word in ("unit: mm", "iso8855", "k = 2", "later less earlier", "limits are the user's", "guard band"):
        assert word in " ".join(text.replace("# ", "").split())
    document = json.loads(files["compare/moved.json"])
    assert document["measures"]["twist_deg_U"] == 0.05 and document["measures"]["sag_mm_reason"] == "left open"
    assert document["measures"]["twist_deg_U_supports"] == 0.04 and document["assumed"] == ["drift", "supports"]
    assert document["points"][2]["shift_mm"] is None
    assert len(files["compare/rails.csv"].decode().split("U_roll_deg\n")[1].splitlines()) == 5


def test_words_tell_what_moved_what_is_missing_and_what_can_t_be_told() -> None:
    words = moved_words(moves())
    for part in ("1 of 2 points moved", "1.8 ± 0.4 mm inboard", "not found in the later scan: gone-L",
                 "1 outside: a <b>-L", "only in the later scan: new-1", "not determinable: left open",
                 "0.13       0.31", "+0.100 ± 0.050 deg    0.020      0.040",
                 "assumed: how the frame stood, not known"):  # fmt: skip
        assert part in words
    none = replace(moves(), shifts=tuple(replace(s, limit_mm=None, verdict="") for s in moves().shifts))
    assert "no limit was given" in moved_words(none)


def test_where_nothing_can_be_proven_names_are_not_told_over_again() -> None:
    open_ = replace(moves(), shifts=tuple(replace(s, limit_mm=1.0, verdict="not proven") for s in moves().shifts))
    assert "none of 2 seen is proven while it is not known how the frame stood" in moved_words(open_)
    known = moved_words(replace(open_, assumed=("drift",)))
    assert "3 not proven: a <b>-L, b-L, gone-L" in known


def test_page_holds_all_and_escapes_names() -> None:
    normals = np.tile([0.0, 0, 1.0], (300, 1))
    page = compare_html(moves(), normals, case.datum(), ReportSettings(), "before → after").decode()
    assert "a &lt;b&gt;-L" in page and "<b>-L" not in page.split("<script")[0]
    assert "http" not in page.split("<script")[0].replace("http-equiv", "")
    data = json.loads(page.split('id="data">')[1].split("</script>")[0])
    assert [p["name"] for p in data["view"]["points"]] == ["a <b>-L", "b-L", "gone-L"]
    assert [p["named"] for p in data["view"]["points"]] == [True, False, False]
    assert data["view"]["scan"]["colours"][0][1] != data["view"]["scan"]["colours"][3][1]
    assert len(data["straight"]["data"]) == 6
    again = compare_html(moves(), normals, case.datum(), ReportSettings(), "before → after").decode()
    assert page == again


def test_arrows_are_scaled_by_a_round_factor_and_colours_reach_the_largest_shift() -> None:
    assert full_scale(list(moves().shifts)) == 2.0
    assert arrow_factor([replace(s, position=s.position * k) for k, s in enumerate(moves().shifts)]) in (50, 20, 10)


def test_a_watch_list_is_read_and_its_faults_named_by_line() -> None:
    assert limits(b"name,limit_mm\na-L,1.5\n", "w.csv") == {"a-L": 1.5}
    assert limits(b"name;limit_in\na-L;0,1\n", "w.csv")["a-L"] == pytest.approx(2.54)
    for data, fault in ((b"name,limit_mm\na-L,0\n", "line 2"), (b"name,limit_mm\na-L,1\na-L,2\n", "line 3: a-L"),
                        (b"name,limit_mm\n,1\n", "no name"), (b"name\na\n", "lacks the column limit_mm")):  # fmt: skip
        with pytest.raises(UsageError, match=fault):
            limits(data, "w.csv")


def test_bad_use_is_one_line_and_exit_2(tmp_path: Path) -> None:
    run = CliRunner()
    (tmp_path / "a").mkdir()
    for args in (("a", "a"), ("a", "b"), ("missing.csv", "a")):
        outcome = run.invoke(app, ["compare", *(str(tmp_path / name) for name in args)])
        assert outcome.exit_code == 2, outcome.output
        assert len(outcome.stderr.strip().splitlines()) == 1
    assert CompareSettings().unmoved == ()


def test_points_of_the_other_side_are_never_judged_as_if_they_were_measured() -> None:
    seen = case.point("a-R", "hole", (100.0, -301.5, 20.0), (0.0, 0, 1))
    copy = replace(seen, position=np.array([100.0, -300, 20]), state="mirrored", measured=seen)
    made = MountPoints(
        (copy, replace(copy, name="b-R", measured=None), case.point("c", "hole", (1.0, 2, 3), (0.0, 0, 1))), ()
    )
    assert [(p.name, p.state, p.position[1]) for p in made.as_measured().points] == [
        ("a-R", "measured", -301.5),
        ("c", "measured", 2.0),
    ]


def test_two_scans_of_one_name_are_told_apart_by_their_jobs(tmp_path):
    assert told_apart(tmp_path / "club", tmp_path / "welded") == ("club", "welded")
    assert told_apart(tmp_path / "may" / "job", tmp_path / "june" / "job") == ("may/job", "june/job")
    assert told_apart(tmp_path / "job", tmp_path / "job" / "job") == (f"{tmp_path.name}/job", "job/job")
