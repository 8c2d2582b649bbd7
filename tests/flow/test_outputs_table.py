"""Tables read back by the csv and json modules: columns, numbers, odd names, left on the left."""

import csv
import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from outputs_case import CAR_FROM_SCAN, LEFT, datum, mount_points, point, straightness

from barerail.outputs.cells import Style
from barerail.outputs.table import datum_json, pairs_csv, points_csv, points_json, straightness_json
from barerail.outputs.view import View, scaled
from barerail.outputs.view import seen as seen_as
from barerail.outputs.words import rounded_up
from barerail.records import MountPoints
from barerail.store import names

CONTRACT = (
    "name,kind,side,partner,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,diameter_mm,length_mm,U_x_mm,U_y_mm,U_z_mm,U_local_x_mm,"
    "U_local_y_mm,U_local_z_mm,U_diameter_mm,arc_deg,n,rms_mm,state,note"
)


def read(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in io.StringIO(data.decode()) if not line.startswith("#")))


def comments(data: bytes) -> str:
    lines = [line for line in data.decode().splitlines() if line.startswith("#")]
    return " ".join(line.removeprefix("# ").strip() for line in lines)


def strict(data: bytes) -> dict:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(data, parse_constant=refuse)


def plain(cell: str) -> str:
    return cell[1:] if cell[:2] in ("'=", "'+", "'-", "'@", "'#") else cell


def test_points_csv_has_the_columns_of_the_contract_first():
    head = next(line for line in points_csv(mount_points(), datum()).decode().splitlines() if line[0] != "#")
    assert head.startswith(CONTRACT + ",face,along_x,along_y,along_z")
    assert " " not in head


def test_points_csv_reads_back():
    points = mount_points().points
    rows = read(points_csv(mount_points(), datum()))
    assert [plain(row["name"]) for row in rows] == [p.name for p in points]
    for row, p in zip(rows, points):
        for column, value in zip(("x_mm", "y_mm", "z_mm", "diameter_mm"), (*p.position, p.diameter)):
            assert (row[column] == "") if math.isnan(value) else abs(float(row[column]) - value) <= 0.0005
    assert [rows[0][f"U_{a}_mm"] for a in "xyz"] == ["0.400", "0.200", "0.100"]
    assert [rows[0][f"U_local_{a}_mm"] for a in "xyz"] == ["0.040", "0.040", "0.020"]
    assert [rows[0][c] for c in ("U_diameter_mm", "arc_deg", "n", "rms_mm")] == ["0.060", "312", "420", "0.071"]
    assert rows[5]["note"] == "bore, seen"


def test_no_axis_and_no_place_are_empty_cells():
    rows = {plain(row["name"]): row for row in read(points_csv(mount_points(), datum()))}
    assert all(rows["node"][f"axis_{a}"] == "" for a in "xyz") and rows["node"]["x_mm"] == "-1200.000"
    lost = rows["not there"]
    assert lost["state"] == "missing" and lost["n"] == "0"
    assert all(value == "" for column, value in lost.items() if column not in ("name", "kind", "side", "state", "n"))


def test_texts_never_read_as_a_formula_and_numbers_stay():
    bad = [f"{c}cmd|' /C calc'!A0" for c in "=+-@"] + ["a\r\nb,c", "\t=1"]
    made = MountPoints(tuple(point(name, "hole", (-1.0, -2.0, -3.0), (0.0, 0, 1), note=name) for name in bad), ())
    rows = read(points_csv(made, datum()))
    assert len(rows) == len(bad)
    for row in rows:
        assert row["name"][0] not in "=+-@\t\r" and row["note"][0] not in "=+-@\t\r"
        assert row["x_mm"] == "-1.000"
    assert rows[4]["name"] == "a b,c"


def test_a_points_csv_is_a_names_file():
    wanted = {w.name: w for w in names.parse(points_csv(mount_points(), datum()), "points.csv")[0]}
    for p in mount_points().points:
        if p.state != "missing" and not p.name.startswith("#"):
            np.testing.assert_allclose(wanted[p.name].position, p.position, rtol=0, atol=0.0005)
            assert wanted[p.name].kind == p.kind


@pytest.mark.parametrize("write", [points_csv, pairs_csv])
def test_header_says_file_unit_axes_datum_and_what_was_guessed(write):
    said = comments(write(mount_points(), datum(assumed=("front", "drift"))))
    for text in ("unit: mm", "axes: iso8855, x forward, y left, z up", "k = 2", "method: symmetry", datum().origin,
                 "UNCONFIRMED: front guessed", "slow drift", "before you cut, drill or weld"):  # fmt: skip
        assert text in said
    assert "UNCONFIRMED" not in comments(write(mount_points(), datum()))
    assert "x rearward, y right, z up" in comments(write(mount_points(), datum(axes="iso4130")))


def test_left_is_left_in_the_tables():
    for row in (*read(points_csv(mount_points(), datum())), *strict(points_json(mount_points(), datum()))["points"]):
        if row["side"] in ("L", "R") and row["state"] == "measured":
            assert float(row["y_mm"]) * {"L": 1, "R": -1}[row["side"]] > 20


def test_pairs_come_with_the_largest_difference_first():
    rows = read(pairs_csv(mount_points(), datum()))
    assert [row["left"] for row in rows] == [LEFT, "rail L"]
    assert [rows[0][c] for c in ("dx_mm", "dy_mm", "dz_mm", "U_dx_mm", "U_dy_mm", "U_dz_mm")] == [
        "0.654", "-0.500", "-0.125", "0.400", "0.200", "0.020",
    ]  # fmt: skip


def test_points_json_holds_what_the_table_cannot():
    document = strict(points_json(mount_points(), datum(assumed=("above",))))
    assert document["axes"] == {"name": "iso8855", "x": "forward", "y": "left", "z": "up"}
    assert document["k"] == 2 and document["confirmed"] is False and document["assumed"] == ["above"]
    rows = {row["name"]: row for row in document["points"]}
    assert set(rows) == {p.name for p in mount_points().points}
    for p in mount_points().points[:-1]:
        row = rows[p.name]
        np.testing.assert_allclose([row[f"{a}_mm"] for a in "xyz"], p.position, rtol=0, atol=1e-6)
        np.testing.assert_allclose(row["covariance_mm2"], p.cov, rtol=1e-8)
        np.testing.assert_allclose(row["covariance_local_mm2"], p.cov_local, rtol=1e-8)
        np.testing.assert_allclose(row["by_datum"], p.by_datum, rtol=1e-8)
        np.testing.assert_allclose(np.reshape(row["ends_mm"], (-1, 3)), p.ends, rtol=0, atol=1e-6)
    assert rows["-L rail"]["detail"] == {"thickness_a_mm": 4.02, "tilt_deg": 0.4}
    lead, other = rows[LEFT]["faces"]
    assert (lead["face"], other["face"]) == ("up", "down")
    through = np.subtract(lead["centre_mm"], other["centre_mm"])
    np.testing.assert_allclose(through, 4 * np.array(lead["normal"]), rtol=0, atol=2e-6)
    assert len(rows["right hole"]["faces"]) == 1
    assert {f["fits"] for f in rows["right hole"]["fits"]} == {"M12x1.75 tapped", "M10 fine clearance"}
    assert rows["not there"]["fits"] == [] and "fits" not in rows["pad"]
    assert rows["not there"]["x_mm"] is None


def test_datum_json_has_the_keys_of_the_contract():
    document = strict(datum_json(datum()))
    keys = "car_from_scan scan_unit mm_per_scan_unit axes origin method assumed recipe covariance U evidence"
    assert set(keys.split()) <= set(document)
    assert np.array_equal(document["car_from_scan"], CAR_FROM_SCAN)
    assert list(document["U"]) == ["roll_deg", "pitch_deg", "yaw_deg", "x_mm", "y_mm", "z_mm"]
    expected = [*np.degrees([2e-4, 4e-4, 6e-4]), 0.4, 0.1, 0.2]
    np.testing.assert_allclose(list(document["U"].values()), expected, rtol=1e-12)
    assert document["evidence"]["pairs"][1]["score"] is None
    assert (document["scan_unit"], document["mm_per_scan_unit"]) == ("m", 1000.0)


def test_straightness_json_is_flat_with_reasons():
    document = strict(straightness_json(straightness(), datum()))
    assert (document["twist_deg"], document["twist_deg_U"]) == (0.2512345, 0.0201)
    assert document["sag_mm"] is None and document["sag_mm_U"] is None
    assert document["sag_mm_reason"] == "it needs a drawing or an earlier scan" and "twist_deg_reason" not in document
    assert (document["gauge_width_mm"], document["from_x_mm"], document["to_x_mm"]) == (801.0, -1000.0, 1000.0)
    assert document["assumed"] == ["drift", "supports"]
    assert document["verdicts"]["twist_mm"].startswith("not proven")
    first = document["stations"][0]
    assert first["left_mm"] == [-1000.0, 400.0, 50.0] and first["right_U_mm"] == [0.2, 0.2, 0.2]
    assert first["right_roll_deg"] is None and [s["used"] for s in document["stations"]] == [True, False, True]


def test_uncertainty_is_rounded_up_only():
    assert rounded_up(0.0701, 3) == 0.071
    assert rounded_up(0.4, 3) == 0.4 and rounded_up(2 * math.sqrt(0.04), 3) == 0.4
    assert rounded_up(1e-5, 3) == 0.001 and rounded_up(0.0, 3) == 0.0


def test_same_records_same_bytes_and_no_minus_zero():
    made = replace(mount_points(), points=(point("a", "hole", (-1e-9, 30.0, -0.0), (-0.0, 0, 1)),))
    assert points_csv(made, datum()) == points_csv(made, datum())
    assert b"-0.000" not in points_csv(made, datum())
    assert points_json(mount_points(), datum()) == points_json(mount_points(), datum())


def test_a_mirrored_point_keeps_what_was_measured_beside_it_in_every_unit():
    seen = point("a-R", "hole", (100.0, -301.5, 20.0), (0.0, 0, 1))
    copy = point("a-R", "hole", (100.0, -300.0, 20.0), (0.0, 0, 1), state="mirrored", measured=seen)
    made = MountPoints((copy, point("a-L", "hole", (100.0, 300.0, 20.0), (0.0, 0, 1))), ())
    first, other = read(points_csv(made, datum()))
    assert [first[f"measured_{a}_mm"] for a in "xyz"] == ["100.000", "-301.500", "20.000"]
    assert [first[f"U_measured_{a}_mm"] for a in "xyz"] == ["0.400", "0.200", "0.100"]
    assert other["measured_x_mm"] == "" and "not_measured: mirrored: a-R" in comments(points_csv(made, datum()))
    turned, car = seen_as(made, datum(), View("iso4130"))
    row = strict(points_json(scaled(turned, "in"), car, Style("in")))["points"][0]
    assert (row["measured_x_in"], row["measured_y_in"]) == (round(-100 / 25.4, 8), round(301.5 / 25.4, 8))
