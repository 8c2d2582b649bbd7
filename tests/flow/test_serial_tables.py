"""What a series says of its cars: tables, words and page, and which points of the cars it counts."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from barerail import serial
from barerail.errors import UsageError
from barerail.outputs.page_series import series_html
from barerail.outputs.series import series_csv, series_words, suggested
from barerail.outputs.words import fixed, rounded_up
from barerail.records import Car
from barerail.settings import SeriesSettings
from barerail.stages.series import series
from barerail.store.tables import cars


def spread():
    rng = np.random.default_rng(4)
    base = np.array([[0.0, 400, 0], [0, -400, 0]])
    some = []
    for i in range(8):
        at = base + [[0.3], [0.0]] * rng.normal(size=(2, 3)) + 0.05 * rng.normal(size=(2, 3))
        cov = np.tile(0.0025 * np.eye(3), (2, 1, 1))
        some.append(
            Car(
                f"car<{i}>",
                ("a-L", "a-R"),
                ("hole", "hole"),
                at,
                cov,
                np.full(2, 11.0),
                np.full(2, 0.05),
                np.tile([0.0, 0, 1], (2, 1)),
            )
        )
    return series(some, SeriesSettings(lengths=(("a-L", "a-R"),)))


def test_table_words_and_page() -> None:
    s, asked = spread(), SeriesSettings()
    text = series_csv(s).decode()
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert [(r["what"], r["axis"], r["n"]) for r in rows[:3]] == [("a-L", axis, "8") for axis in "xyz"]
    assert rows[-1]["what"] == "a-L - a-R" and float(rows[-1]["own_U_mm"]) == pytest.approx(0.142, abs=0.01)
    words = series_words(s, asked, {"bad": "no rails were found"})
    parts = ("M10", "ISO 273", "a suggestion, not a rule", "bad failed: no rails were found", "a hole is no load path")
    for part in parts:
        assert part in words
    page = series_html(s, asked, {"bad": "x"}).decode()
    assert "car&lt;0&gt;" in page and "car<0>" not in page and "<script" not in page
    assert page.count("<svg viewBox") == 4 and series_html(s, asked, {"bad": "x"}).decode() == page


def test_with_and_without_a_car_that_does_not_belong(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    some = []
    for i in range(12):
        at = (
            np.array([[0.0, 400, 0], [0, -400, 0]])
            + 0.1 * rng.normal(size=(2, 3))
            + [[0.0], [9.0 * (i == 3)]] * np.eye(3)[1]
        )
        cov = np.tile(0.0025 * np.eye(3), (2, 1, 1))
        up = np.tile([0.0, 0, 1], (2, 1))
        some.append(Car(f"car{i}", ("a-L", "a-R"), ("hole",) * 2, at, cov, np.full(2, 11.0), np.full(2, 0.05), up))
    asked = SeriesSettings(lengths=(("a-L", "a-R"),))
    s = series(some, asked)
    text = series_csv(s).decode()
    rows = {(r["what"], r["axis"]): r for r in csv.DictReader(t for t in text.splitlines() if t[0] != "#")}
    y = rows["a-R", "y"]
    assert list(s.odd) == ["car3"] and "# may not belong: car3: " in text
    assert float(y["sd_mm"]) > 2 and float(y["without_odd_sd_mm"]) < 0.2
    assert (y["n"], y["without_odd_n"]) == ("12", "11") and rows["a-L - a-R", ""]["without_odd_n"] == "11"
    assert float(y["cov_y_mm2"]) == pytest.approx(float(y["sd_mm"]) ** 2, rel=1e-3)
    assert float(y["cov_x_mm2"]) == pytest.approx(float(rows["a-R", "x"]["cov_y_mm2"])) and not y["cov_x_mm2"] == ""
    told, page = series_words(s, asked, {}), series_html(s, asked, {}).decode()
    for z in s.zones:
        zone = fixed(rounded_up(z.zone_mm, 2), 2)
        assert f" {zone} " in told and (f">{zone}<" in page or f"&lt; {zone}<" in page), "no smaller on the page"
    assert (
        told.count("Holes that would take them") == 2
        and "Without car3, where the sd then differs" in told
        and "series.json has the figures" not in told + page
    )
    assert (
        told.split("Without car3")[1].count("a-R") == 1 + 1 + 2
        and page.count("may not belong") >= 3
        and "cov x" in page
    )


def test_what_takes_a_zone() -> None:
    """ISO 273 for M10: fine 10.5, medium 11, coarse 12; beyond that a slot as wide as the medium hole."""
    assert suggested("M10", 0.4) == (10.5, "fine", None)
    assert suggested("M10", 0.5) == (10.5, "fine", None)
    assert suggested("M10", 1.6) == (12.0, "coarse", None)
    assert suggested("M10", 3.2) == (11.0, "slot", 14.5)
    assert suggested("", 1.0) == (None, "", None)


def test_a_table_of_repeated_scans() -> None:
    assert cars(b"scan,car,operator\na.ply,1,k\n", "w.csv") == {"a.ply": ("1", "k")}
    for data, fault in ((b"scan,car\na.ply,\n", "line 2 lacks"), (b"scan,car\na,1\na,2\n", "line 3: a stands")):
        with pytest.raises(UsageError, match=fault):
            cars(data, "w.csv")


def test_cars_come_from_measured_points_of_the_names_file(tmp_path: Path) -> None:
    job = tmp_path / "one"
    job.mkdir()
    row = {"kind": "hole", "state": "measured", "x_mm": 1.0, "y_mm": 2.0, "z_mm": 3.0, "diameter_mm": 10.5,
           "U_diameter_mm": 0.2, "covariance_mm2": np.eye(3).tolist()}  # fmt: skip
    points = [{**row, "name": name} for name in ("a-L", "a-R", "other")]
    points.append({**row, "name": "b-L", "state": "mirrored"})
    axes = {"name": "iso8855", "x": "forward", "y": "left", "z": "up"}
    (job / "points.json").write_text(json.dumps({"axes": axes, "points": points}))
    names = tmp_path / "names.csv"
    names.write_text("# axes: iso8855\nname,kind,x_mm,y_mm,z_mm\na-L,hole,1,2,3\nb-L,hole,1,2,3\n")
    (car,), _ = serial.cars_of([serial.Done(serial.Task(Path("one.ply"), job, "7"), 0, "")], names)
    assert car.names == ("a-L", "a-R") and car.car == "7" and car.u_diameter[0] == 0.1
    (everything,), _ = serial.cars_of([serial.Done(serial.Task(Path("one.ply"), job), 0, "")], None)
    assert len(everything.names) == 3


def test_the_outside_of_a_sleeve_whose_bore_was_not_seen_is_no_diameter_of_the_series() -> None:
    row = {"kind": "sleeve", "x_mm": 1.0, "y_mm": 2.0, "z_mm": 3.0, "diameter_mm": 30.0, "U_diameter_mm": 0.2,
           "axis_x": 0.0, "axis_y": 1.0, "axis_z": 0.0, "covariance_mm2": np.eye(3).tolist()}  # fmt: skip
    rows = [{**row, "name": "a", "detail": {"bore_seen": 0.0}}, {**row, "name": "b", "detail": {}}]
    car = serial.car_of(serial.Task(Path("one.ply"), Path("one")), rows, "iso8855")
    np.testing.assert_array_equal(car.diameter, [np.nan, 30.0])


def test_points_that_are_not_the_first_cars_of_that_name_are_left_out(tmp_path: Path) -> None:
    """The other face of a sheet always; another place where the names are automatic, but a rail's middle may move."""
    row = {"kind": "hole", "state": "measured", "x_mm": 1.0, "y_mm": 2.0, "z_mm": 3.0, "diameter_mm": 10.5, "axis_x": 0,
           "axis_y": 0, "axis_z": 1, "U_diameter_mm": 0.2, "covariance_mm2": np.eye(3).tolist()}  # fmt: skip
    first = [{**row, "name": name} for name in ("a", "b", "c")] + [{**row, "name": "rail", "kind": "rail"}]
    first[0]["kind"] = "face"
    second = [{**row, "name": "a", "kind": "face", "axis_z": -1}, {**row, "name": "b", "x_mm": 17.0},
              {**row, "name": "c", "x_mm": 15.0}, {**row, "name": "rail", "kind": "rail", "x_mm": 90.0}]  # fmt: skip
    done = []
    for name, points in (("one", first), ("two", second)):
        job = tmp_path / name
        job.mkdir()
        (job / "points.json").write_text(json.dumps({"axes": {"name": "iso8855"}, "points": points}))
        done.append(serial.Done(serial.Task(Path(f"{name}.ply"), job), 0, ""))
    (one, two), (note,) = serial.cars_of(done, None)
    assert one.names == ("a", "b", "c", "rail") and two.names == ("c", "rail")
    assert note.text.endswith("a of two, b of two") and note.warning and two.at[0, 0] == 15.0
    names = tmp_path / "names.csv"
    names.write_text("name,kind,x_mm,y_mm,z_mm\na,hole,1,2,3\nb,hole,1,2,3\n")
    (_, two), _ = serial.cars_of(done, names)
    assert two.names == ("b",)


def test_a_series_counts_in_the_axes_of_its_first_car(tmp_path: Path) -> None:
    """Jobs whose datums count one forward, one rearward, hold the same place with other signs."""
    cov = np.array([[1.0, 0.1, 0.2], [0.1, 1.0, 0.3], [0.2, 0.3, 1.0]])
    done = []
    for name, axes, sign in (("one", "iso4130", -1.0), ("two", "iso8855", 1.0)):
        job = tmp_path / name
        job.mkdir()
        turn = np.diag([sign, sign, 1.0])
        point = {"name": "a-L", "kind": "hole", "state": "measured", "x_mm": sign * 1.0, "y_mm": sign * 2.0,
                 "z_mm": 3.0, "diameter_mm": 10.5, "U_diameter_mm": 0.2,
                 "covariance_mm2": (turn @ cov @ turn).tolist()}  # fmt: skip
        (job / "points.json").write_text(json.dumps({"axes": {"name": axes}, "points": [point]}))
        done.append(serial.Done(serial.Task(Path(f"{name}.ply"), job), 0, ""))
    (one, two), _ = serial.cars_of(done, None)
    assert one.axes == two.axes == "iso4130" and one.at == pytest.approx(np.array([[-1.0, -2.0, 3.0]]))
    assert two.at == pytest.approx(one.at) and two.cov == pytest.approx(one.cov)
    assert two.cov[0, 0, 2] == pytest.approx(-0.2)


def test_files_and_page_of_a_series_say_its_axes() -> None:
    asked = SeriesSettings()
    for s, ahead, side in ((spread(), "forward", "left"), (replace(spread(), axes="iso4130"), "rearward", "right")):
        assert f"x {ahead}, y {side}, z up" in series_csv(s).decode()
        assert f"x {ahead}, y {side};" in series_words(s, asked, {})
        page = series_html(s, asked, {}).decode()
        assert f"x {ahead}" in page and f"y {side}" in page
        assert {"forward": "rearward", "rearward": "forward"}[ahead] not in page.split("<main")[-1]
