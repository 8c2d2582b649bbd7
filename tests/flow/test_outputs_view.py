"""Other axes, units and ride heights of an export: numbers worked by hand, left stays left, the schema holds."""

import csv
import io
import json
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from outputs_case import CAR_FROM_SCAN, LEFT, datum, mesh_scan, mount_points, point

from barerail.errors import UsageError
from barerail.geometry.frames import transform
from barerail.outputs.axis_table import bolt_axes_csv
from barerail.outputs.cells import Style
from barerail.outputs.table import points_csv, points_json
from barerail.outputs.view import MM_PER, Ride, View, scaled, seen
from barerail.records import MountPoints
from barerail.store import names

RIDE = Ride((1000.0, 180.0), (-1000.0, 120.0))


def rows(data: bytes, separator: str = ",") -> list[dict[str, str]]:
    lines = [line for line in data.decode().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(io.StringIO("\n".join(lines)), delimiter=separator))


def shown(view: View, unit: str = "mm"):
    turned, car = seen(mount_points(), datum(), view)
    return scaled(turned, unit), car


def test_iso4130_is_half_a_turn_about_z():
    turned, car = shown(View("iso4130"))
    for p, q in zip(mount_points().points, turned.points):
        np.testing.assert_allclose(q.position, p.position * (-1, -1, 1), rtol=0, atol=1e-12)
        np.testing.assert_allclose(q.axis, p.axis * (-1, -1, 1), rtol=0, atol=1e-12)
        assert (q.side, q.face, q.name) == (p.side, p.face, p.name)
    assert np.linalg.det(car.car_from_scan[:3, :3]) == pytest.approx(1.0) and car.axes == "iso4130"


def test_left_has_negative_y_in_iso4130_and_the_mesh_turns_with_it():
    turned, car = shown(View("iso4130"))
    for p in turned.points:
        if p.state == "measured" and p.side in "LR":
            assert p.position[1] * {"L": -1, "R": 1}[p.side] > 20
    assert np.all(transform(car.car_from_scan, mesh_scan().points)[:4, 1] < 0)


def test_a_table_with_z_down_is_no_names_file():
    turned, car = shown(View("j670"))
    table = points_csv(turned, car, Style())
    assert b"# axes: j670, x forward, y right, z down" in table
    with pytest.raises(UsageError, match="counts z down"):
        names.parse(table, "points-j670-mm.csv")


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("# axes: SAE J670", "counts z down"),
        ("# Axes: J670", "counts z down"),
        ("# axes: x forward, y right, Z DOWN", "counts z down"),
        ("# in SAE J670e axes", "speaks of other axes"),
        ("# x forward, y right, z down", "speaks of other axes"),
        ("# axes: as the drawing", "states axes that aren't known"),
    ],
)
def test_a_names_file_in_other_axes_is_refused_however_it_says_so(line, told):
    with pytest.raises(UsageError, match=told):
        names.parse(f"{line}\nname,kind,x_mm,y_mm,z_mm\na,hole,1,2,3\n".encode(), "n.csv")


@pytest.mark.parametrize("line", ["# axes: ISO 4130", "# axes: ISO4130", "# Axes: x rearward, y right"])
def test_iso_4130_may_be_written_in_any_way(line):
    (one,) = names.parse(f"{line}\nname,kind,x_mm,y_mm,z_mm\na,hole,1,2,3\n".encode(), "n.csv").wanted
    assert one.position == (-1.0, -2.0, 3.0)


def test_inches_in_columns_and_numbers():
    points, car = shown(View("iso4130"), "in")
    (row,) = [r for r in rows(points_csv(points, car, Style("in"))) if r["name"] == "right hole"]
    assert float(row["x_in"]) == pytest.approx(-1013 / 25.4, abs=5e-6)
    assert float(row["y_in"]) == pytest.approx(402 / 25.4, abs=5e-6)
    assert float(row["diameter_in"]) == pytest.approx(10.5 / 25.4, abs=5e-6)
    assert float(row["U_x_in"]) == pytest.approx(0.4 / 25.4, abs=1e-5) and "x_mm" not in row
    assert "# unit: in, angles deg" in points_csv(points, car, Style("in")).decode()


def test_decimal_commas_part_cells_at_semicolons():
    points, car = shown(View())
    style = Style("mm", ",")
    (row,) = [r for r in rows(points_csv(points, car, style), ";") if r["name"] == "right hole"]
    assert (row["x_mm"], row["y_mm"], row["arc_deg"]) == ("1013,000", "-402,000", "312")
    wanted = {w.name: w for w in names.parse(points_csv(points, car, style), "points.csv")[0]}
    assert wanted["right hole"].position == (1013.0, -402.0, 100.0)


def test_ride_heights_stand_where_they_were_asked():
    stations = np.array([(1000.0, 0, 0), (-1000.0, 0, 0), (0.0, 0, 0)])
    at = transform(View("", RIDE).matrix(datum()), stations)
    np.testing.assert_allclose(at[:, 2], [180.0, 120.0, 150.0], atol=1e-9)
    np.testing.assert_allclose(at[:, 1], 0, atol=1e-12)
    assert at[2, 0] == 0.0 and np.linalg.norm(at[0] - at[1]) == pytest.approx(2000.0, abs=1e-9)
    turned = transform(View("iso4130", RIDE).matrix(datum()), stations)
    np.testing.assert_allclose(turned, at * (-1, -1, 1), atol=1e-12)
    other = datum(axes="iso4130")
    back = transform(View("", Ride((-1000.0, 180.0), (1000.0, 120.0))).matrix(other), stations * (-1, 1, 1))
    np.testing.assert_allclose(back, at * (-1, -1, 1), atol=1e-12)


def test_the_datum_itself_is_never_moved():
    before = datum()
    seen(mount_points(), before, View("iso4130", RIDE))
    np.testing.assert_array_equal(before.car_from_scan, CAR_FROM_SCAN)


def test_the_matrix_in_the_header_takes_datum_points_to_those_of_the_file():
    points, car = shown(View("iso4130", RIDE))
    said = " ".join(json.loads(points_json(points, car))["origin"].split())
    matrix = np.array([[float(v) for v in r.split()] for r in said.split("rows: ")[1].split("; ")])
    for p, q in zip(mount_points().points, points.points):
        np.testing.assert_allclose(transform(matrix, p.position), q.position, rtol=0, atol=1e-5)
    assert "at ride height: z = 0 is the ground" in said


def test_covariances_turn_with_the_points():
    made = MountPoints((point("a", "hole", (500.0, 300, 20), (0.0, 0, 1), cov=np.diag([0.04, 0.01, 0.0025])),), ())
    turned, car = seen(made, datum(), View("", Ride((1000.0, 1000.0), (0.0, 0.0001))))  # pitched by a right angle
    assert np.sqrt(np.diag(turned.points[0].cov)) == pytest.approx([0.05, 0.1, 0.2], rel=0.01)
    q = turned.points[0].position
    by_turned = np.hstack([np.eye(3), -np.cross(np.eye(3), q)])
    by_datum = np.hstack([np.eye(3), -np.cross(np.eye(3), made.points[0].position)])
    share = by_datum @ datum().covariance @ by_datum.T
    r = car.car_from_scan[:3, :3] @ CAR_FROM_SCAN[:3, :3].T
    np.testing.assert_allclose(by_turned @ car.covariance @ by_turned.T, r @ share @ r.T, rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize(("front", "rear"), [((0, 100), (0, 120)), ((100, 0), (0, 200))])
def test_impossible_ride_heights_are_refused(front, rear):
    with pytest.raises(UsageError, match="must lie further apart"):
        View("", Ride(front, rear)).matrix(datum())


@pytest.mark.parametrize(
    ("view", "unit", "suffix"),
    [
        (View(), "mm", ""),
        (View("iso8855"), "mm", ""),
        (View("iso4130"), "in", "-iso4130-in"),
        (View(), "in", "-iso8855-in"),
        (View("", RIDE), "mm", "-iso8855-mm-ride-180-120"),
    ],
)
def test_names_say_what_is_in_the_file(view, unit, suffix):
    assert view.suffix(datum(), unit) == suffix


SCHEMA = json.loads(files("barerail.outputs").joinpath("points.schema.json").read_text("utf-8"))


@pytest.mark.parametrize("unit", list(MM_PER))
@pytest.mark.parametrize("axes", ["iso8855", "iso4130", "j670"])
@pytest.mark.parametrize("assumed", [(), ("front",)])
def test_points_json_keeps_to_its_schema(unit, axes, assumed):
    Draft202012Validator.check_schema(SCHEMA)
    turned, car = seen(mount_points(), datum(assumed=assumed), View(axes, RIDE))
    document = json.loads(points_json(scaled(turned, unit), car, Style(unit)))
    faults = [f"{list(e.path)}: {e.message}" for e in Draft202012Validator(SCHEMA).iter_errors(document)]
    assert faults == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d["points"][0].pop("x_mm"),
        lambda d: d["points"][0].update(x_in=1.0, extra=2),
        lambda d: d["points"][0].update(side="left"),
        lambda d: d.update(unit="in, angles deg"),
        lambda d: d["axes"].update(y="right"),
        lambda d: d.update(stamp="UNCONFIRMED: front"),
    ],
)
def test_the_schema_notices_what_is_wrong(spoil):
    document = json.loads(points_json(mount_points(), datum()))
    spoil(document)
    assert list(Draft202012Validator(SCHEMA).iter_errors(document))


def test_a_table_at_ride_height_is_no_names_file():
    points, car = shown(View("", RIDE))
    with pytest.raises(UsageError, match="states other axes"):
        names.parse(points_csv(points, car), "points.csv")


@pytest.mark.parametrize("axes", ["iso8855", "iso4130"])
def test_a_table_is_a_names_file_in_the_axes_that_it_states(axes):
    """Whatever the job's own axes: the same places, x forward, y left."""
    points, car = shown(View("iso4130"))
    wanted = {w.name: w for w in names.parse(points_csv(points, car), "points.csv", axes)[0]}
    np.testing.assert_allclose(wanted[LEFT].position, (1012.3457, 402.5, 100.125), atol=0.001)


def test_an_inch_table_is_a_names_file():
    points, car = shown(View(), "in")
    wanted = {w.name: w for w in names.parse(points_csv(points, car, Style("in")), "points.csv")[0]}
    np.testing.assert_allclose(wanted[LEFT].position, (1012.3457, 402.5, 100.125), atol=0.001)


def test_bolt_axes_stand_side_by_side():
    left = point("arm-L", "bolt-axis", (900.0, 300, 80), (0.0, 1, 0), partner="arm-R", length=46.0, diameter=12.0)
    right = point("arm-R", "bolt-axis", (901.0, -301, 81), (0.0, -1, 0), partner="arm-L", length=45.0, diameter=12.1)
    lone, middle = (replace(left, name=n, partner="") for n in ("other-L", "mid"))
    middle = replace(middle, side="C", position=np.array([0.0, 1, 2]))
    hole = point("hole", "hole", (0.0, 30, 0), (0.0, 0, 1))
    found = rows(bolt_axes_csv(MountPoints((right, hole, left, lone, middle), ()), datum()))
    assert [(r["axis"], r["left_name"], r["right_name"], r["centre_name"]) for r in found] == [
        ("arm", "arm-L", "arm-R", ""),
        ("other", "other-L", "", ""),
        ("mid", "", "", "mid"),
    ]
    assert (found[0]["left_y_mm"], found[0]["right_y_mm"]) == ("300.000", "-301.000")
    assert (found[0]["left_gap_mm"], found[0]["right_gap_mm"], found[0]["left_U_x_mm"]) == ("46.000", "45.000", "0.400")
    assert found[1]["right_y_mm"] == "" and found[1]["right_state"] == ""
