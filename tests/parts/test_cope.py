"""Tube ends: the cut against closed forms and against points of both cylinders, true scale on paper, and faults."""

import io

import ezdxf
import numpy as np
import pytest
from parts_case import NOISE, bracket, datum, hole, point

from barerail.asked import CopeSettings
from barerail.errors import DataError, UsageError
from barerail.geometry.cope import meeting, saddle
from barerail.outputs.cope import cope_files
from barerail.records import MountPoints
from barerail.stages.cope import cope

TURN = np.linspace(0, 2 * np.pi, 361)


def tube(name: str, at, axis, od: float, **more):
    return point(name, "tube", at, axis, diameter=od, length=400.0, **more)


CROSS = tube("cross", (0.0, 0.0, 100.0), (0.0, 1, 0), 40.0)
UPRIGHT = tube("upright", (0.0, 50.0, 300.0), (0.0, 0, 1), 40.0)
SLOPED = tube("sloped", (127.0, 60.0, 350.0), tuple(np.array((0.5, 0.2, 1.0)) / np.sqrt(1.29)), 30.0)
FOUND = MountPoints((CROSS, UPRIGHT, SLOPED, hole("h", (0.0, 0, 0)), bracket("b", (90.0, 0, 300)), point(
    "line", "axis", (0.0, 5.0, 400.0), (0.0, 0, 1), state="constructed", diameter=np.nan)), ())  # fmt: skip


def made(a: str, b: str, **asked):
    settings = CopeSettings(tube=a, to=b, **{"wall_mm": 2.0, **asked})
    return cope(FOUND, datum(), NOISE, settings), settings


def test_equal_tubes_at_a_right_angle_are_the_closed_form():
    # h = R |cos turn| above the axis of the other tube: two equal cylinders meet in two planes at 45 degrees
    found, _ = made("upright", "cross")
    assert found.outside == pytest.approx(20 * np.abs(np.cos(TURN)), abs=1e-9)
    assert found.outside.max() - found.outside.min() == pytest.approx(20.0)  # the cut is one radius deep
    assert found.angle_deg.value == pytest.approx(90) and found.offset_mm.value == pytest.approx(0, abs=1e-9)
    assert found.node == pytest.approx((0, 50, 100)) and found.out == pytest.approx((0, 0, 1))


def test_equal_tubes_at_any_angle_are_cut_in_two_planes():
    # equal cylinders whose axes cross meet in the two planes that halve the angles: cot(a/2) and -tan(a/2)
    angle = np.radians(50)
    h = saddle(TURN, 20, 20, angle, 0.0)
    flat = 20 * np.cos(TURN)
    assert h == pytest.approx(np.where(flat > 0, flat / np.tan(angle / 2), -flat * np.tan(angle / 2)), abs=1e-9)


def test_a_thin_branch_on_a_thick_tube_at_the_closed_form():
    assert saddle(TURN, 10, 50, np.pi / 2, 0.0) == pytest.approx(np.sqrt(2500 - 100 * np.sin(TURN) ** 2))


def test_the_line_lies_on_both_cylinders_where_it_is_put_in_the_car():
    found, _ = made("sloped", "cross", od_mm=28.0)
    around = np.cos(TURN)[:, None] * found.lean + np.sin(TURN)[:, None] * found.side
    at = found.node + 14.0 * around + found.outside[:, None] * found.out

    def away(points, p):
        d = points - p.position
        return np.linalg.norm(d - np.outer(d @ p.axis, p.axis), axis=1)

    assert away(at, SLOPED) == pytest.approx(np.full(361, 14.0)) and away(at, CROSS) == pytest.approx(
        np.full(361, 20.0)
    )
    assert ((at - found.node) @ found.out > 0).any() and found.out @ (SLOPED.position - found.node) > 0
    # the narrow angle is on the side of turn 0
    assert found.outside[0] > found.outside[180]


def test_the_inner_edge_is_the_same_for_the_bore():
    found, _ = made("upright", "cross", wall_mm=2.5)
    assert found.inside == pytest.approx(np.sqrt(400 - (17.5 * np.sin(TURN)) ** 2))


def test_U_of_angle_and_line_is_what_drawing_gives():
    found, _ = made("sloped", "cross")
    rng, n = np.random.default_rng(5), 3000
    from barerail.geometry.together import together

    joint = together(FOUND, ("sloped", "cross"), datum(), NOISE)
    value, vector = np.linalg.eigh(joint.total)
    draws = joint.values + ((rng.normal(size=(n, 12)) * np.sqrt(np.maximum(value, 0))) @ vector.T).reshape(n, 2, 6)
    met = [meeting(v[0, :3], v[0, 3:], v[1, :3], v[1, 3:]) for v in draws]
    assert found.angle_deg.U == pytest.approx(2 * np.degrees(np.std([m.angle for m in met])), rel=0.06)
    assert found.offset_mm.U == pytest.approx(2 * np.std([m.offset for m in met]), rel=0.06)
    size = rng.normal(size=(n, 2)) * 0.05
    lines = [saddle(TURN, (30 + s[0]) / 2, (40 + s[1]) / 2, m.angle, m.offset) for s, m in zip(size, met)]
    assert found.U_mm == pytest.approx(2 * np.std(lines, axis=0).max(), rel=0.08)


def test_a_sleeve_is_coped_to_by_its_outside():
    bush = point("bush", "sleeve", (0.0, 0.0, 100.0), (0.0, 1, 0), diameter=16.0, length=60.0,
                 detail={"outside_diameter_mm": 40.0, "u_outside_diameter_mm": 0.03})  # fmt: skip
    settings = CopeSettings(tube="upright", to="bush", wall_mm=2.0)
    found = cope(MountPoints((bush, UPRIGHT), ()), datum(), NOISE, settings)
    assert found.to_od_mm == 40.0 and found.outside == pytest.approx(made("upright", "cross")[0].outside)


def test_the_template_is_true_to_scale_and_says_what_it_is():
    found, settings = made("upright", "cross", od_mm=40.0, to_od_mm=40.0)
    written = cope_files(found, "u", datum(), settings)
    assert set(written.files) == {f"export/cope-u.{form}" for form in ("dxf", "svg", "pdf", "csv", "json", "txt")}
    document = ezdxf.read(io.StringIO(written.files["export/cope-u.dxf"].decode("cp1252")))
    lines = document.modelspace().query('LINE[layer=="CUT"]')
    ends = np.array([tuple(e)[:2] for line in lines for e in (line.dxf.start, line.dxf.end)])
    # round the tube: pi times its diameter; 20 mm of cut and 30 mm of paper above
    assert np.ptp(ends[:, 0]) == pytest.approx(np.pi * 40) and np.ptp(ends[:, 1]) == pytest.approx(50.0)
    sheet = " ".join(written.files["export/cope-u.txt"].decode().split())
    for words in ("wall 2 mm", "outside 40.00 mm (as given)", "which goes up", "125.66 mm round", "no load path"):
        assert words in sheet
    rows = [r for r in written.files["export/cope-u.csv"].decode().splitlines() if not r.startswith("#")]
    assert rows[1] == "0.0,0.000,20.000,20.000" and rows[91].startswith("90.0,31.416,0.000,8.718")


@pytest.mark.parametrize(
    ("a", "b", "asked", "error", "words"),
    [
        ("upright", "cros", {}, UsageError, "no point is named 'cros'; did you mean cross?"),
        ("upright", "upright", {}, UsageError, "a tube can't be coped to itself"),
        ("upright", "line", {"to_od_mm": 40.0}, DataError, "the tubes are parallel"),
        ("line", "cross", {}, UsageError, "line is of kind axis: give its outside diameter with --od"),
        ("upright", "cross", {"wall_mm": 21.0}, UsageError, "--wall is 21 mm on a tube of 40 mm"),
        ("upright", "cross", {"od_mm": 50.0}, DataError, "5.0 mm past the side of the other tube"),
        ("b", "cross", {"od_mm": 30.0, "to_od_mm": 400.0}, DataError, "stands 90 mm from the other's axis, inside it"),
    ],
)
def test_what_cannot_be_coped(a, b, asked, error, words):
    with pytest.raises(error) as told:
        made(a, b, **asked)
    assert words in str(told.value) and "\n" not in str(told.value)
