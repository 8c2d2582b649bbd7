"""Will it bolt on: clearances by hand, the best seat by another solver, the share by a closed form, and faults."""

from dataclasses import replace
from math import erf

import ezdxf
import numpy as np
import pytest
from parts_case import NAN, NOISE, datum, hole, point
from scipy.optimize import minimize

from barerail.asked import BoltOnSettings
from barerail.errors import DataError, UsageError
from barerail.geometry.frames import from_rotation_vector
from barerail.geometry.pinned import pinned
from barerail.outputs.bolt_on import bolt_on_files
from barerail.outputs.bolts import bolt_mm
from barerail.records import MountPoints, NoiseModel, PatternHole
from barerail.stages.bolt_on import bolt_on
from barerail.store.patterns import pattern

SQUARE = ((0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (0.0, 80.0))
QUIET = NoiseModel(0.1, 0.0, 0.0, 0.0, 0.0)


def part(*at, diameter: float = 9.0) -> list[PatternHole]:
    return [PatternHole(str(i), np.array([*xy, 0.0]), diameter) for i, xy in enumerate(at, 1)]


def chassis(*at, diameter: float = 9.0, **more) -> MountPoints:
    turn = from_rotation_vector((0.2, -0.5, 2.0))
    made = [
        hole(f"h{i}", tuple(turn @ (*xy, 0.0) + (300, 200, 50)), tuple(turn[:, 2]), diameter=diameter, **more)
        for i, xy in enumerate(at, 1)
    ]
    return MountPoints(tuple(made), ())


def tried(pattern_, found, noise=NOISE, **asked):
    given = {"points": tuple(p.name for p in found.points), "bolt": "M8", **asked}
    settings = BoltOnSettings(**given)
    return bolt_on(pattern_, bolt_mm(settings.bolt), found, datum(), noise, settings)


def test_a_part_on_its_own_holes_sits_in_the_middle_with_the_room_of_iso_273():
    # ISO 273 medium for M8 is 9 mm: half a millimetre each in part and chassis
    out = tried(part(*SQUARE), chassis(*SQUARE))
    assert [h.point for h in out.holes] == ["h1", "h2", "h3", "h4"] and out.rms_mm < 1e-9
    assert [h.left_mm for h in out.holes] == pytest.approx([1.0] * 4) and out.holes[0].lean_deg < 1e-4
    tapped = tried(part(*SQUARE), chassis(*SQUARE, diameter=6.8), tapped=True)
    assert [h.left_mm for h in tapped.holes] == pytest.approx([0.5] * 4)


def judged(off, at, room) -> float:
    """Least largest share of its room, by sequential quadratic programming with the share as a variable."""
    arm = np.stack([-at[:, 1], at[:, 0]], axis=1) / 100

    def spare(x):
        return (x[3] * room) ** 2 - np.sum((off - x[:2] - x[2] * arm) ** 2, axis=1)

    start = [0.0, 0.0, 0.0, 1.01 * (np.linalg.norm(off, axis=1) / room).max()]
    bound = [{"type": "ineq", "fun": spare}, {"type": "ineq", "fun": lambda x: x[3]}]
    found = minimize(lambda x: x[3], start, method="SLSQP", constraints=bound, options={"ftol": 1e-12, "maxiter": 500})
    assert found.success
    return float(found.fun)


def test_one_hole_off_is_shared_out_and_the_fouling_one_is_named():
    off = [*SQUARE[:3], (1.0, 80.0)]
    out = tried(part(*SQUARE), chassis(*off))
    flat, about = np.array(off) - np.array(SQUARE), np.array(SQUARE) - np.mean(SQUARE, axis=0)
    used = max(float(np.linalg.norm(h.off)) for h in out.holes)
    assert used == pytest.approx(judged(flat, about, np.ones(4)), abs=2e-3)
    far = tried(part(*SQUARE), chassis(*SQUARE[:3], (6.0, 80.0)))
    assert min(h.left_mm for h in far.holes) < 0 and far.goes_on == 0
    assert any("fouls" in n.text and "wider would take M8" in n.text for n in far.notes)


def test_best_seat_with_unequal_room_is_what_another_solver_finds():
    rng = np.random.default_rng(3)
    at = rng.uniform(-80, 80, (5, 2))
    off, room = rng.normal(scale=0.4, size=(6, 5, 2)), rng.uniform(0.2, 1.5, (6, 5))
    for one_off, one_room in zip(off, room):
        one, judge = pinned(one_off[None], at, one_room[None]), judged(one_off, at, one_room)
        assert one.used[0] == pytest.approx(judge, rel=5e-3) and one.least[0] <= judge * (1 + 1e-6)


def test_share_that_goes_on_is_the_closed_form_of_two_holes():
    # two holes can only disagree in their distance: N(0, 2 u^2), and the bolts allow the sum of both rooms
    u, bolt_room = 0.25, 0.5
    found = chassis((0.0, 0.0), (150.0, 0.0), cov_local=np.eye(3) * u**2, diameter=6.8)
    out = tried(part((0.0, 0.0), (150.0, 0.0), diameter=9.0), found, QUIET, tapped=True, part_U_mm=0.0, draws=20000)
    assert out.goes_on / out.draws == pytest.approx(erf(2 * bolt_room / (np.sqrt(2) * u) / np.sqrt(2)), abs=0.005)
    assert out.holes[0].U_mm == pytest.approx(2 * u / np.sqrt(2), rel=1e-6)


def test_the_order_is_found_and_a_rival_way_round_is_said():
    at = ((0.0, 0.0), (120.0, 0.0), (100.0, 80.0), (0.0, 61.0))
    mixed = chassis(at[2], at[0], at[3], at[1])
    out = tried(part(*at), mixed)
    assert [h.point for h in out.holes] == ["h2", "h4", "h1", "h3"] and not out.notes
    assert any("other ways round" in n.text for n in tried(part(*SQUARE), chassis(*SQUARE)).notes)


def test_points_said_in_the_pattern_and_asked_for_are_one_too_many():
    said = [replace(h, point=f"h{i}") for i, h in enumerate(part(*SQUARE), 1)]
    assert len(tried(said, chassis(*SQUARE), points=()).holes) == 4
    with pytest.raises(UsageError, match="and --points too"):
        tried(said, chassis(*SQUARE), points=("h4", "h3", "h2", "h1"))


def test_a_sleeve_whose_bore_was_not_seen_has_no_room_that_is_known():
    found = chassis(*SQUARE, diameter=30.0)
    sleeve = replace(found.points[0], kind="sleeve", detail={"outside_diameter_mm": 30.0, "bore_seen": 0.0})
    found = replace(found, points=(sleeve, *found.points[1:]))
    with pytest.raises(UsageError, match=r"h1's bore wasn't seen.*--tapped"):
        tried(part(*SQUARE), found)
    assert len(tried(part(*SQUARE), found, tapped=True).holes) == 4
    known = replace(sleeve, diameter=9.0, detail={"outside_diameter_mm": 30.0})
    assert len(tried(part(*SQUARE), replace(found, points=(known, *found.points[1:]))).holes) == 4


def test_files_say_the_share_and_the_cautions():
    settings = BoltOnSettings(points=("h1", "h2", "h3", "h4"))
    vague = chassis(*SQUARE, cov_local=np.eye(3) * 0.5)
    out = bolt_on(part(*SQUARE), 8.0, vague, datum(), NOISE, settings)
    files = bolt_on_files(out, "plate", datum(), settings).files
    sheet = " ".join(files["export/bolt-on-plate.txt"].decode().split())
    assert f"{out.goes_on} of 4000 draws" in sheet and "a fit is no strength check" in sheet and "detail scan" in sheet
    assert files["export/bolt-on-plate.csv"].decode().count("\n1,h") == 1


def test_patterns_are_read_from_csv_and_dxf(tmp_path):
    (tmp_path / "p.csv").write_text("name,x_mm,y_mm,diameter_mm,point\nA,0,0,9,h1\nB,120,0,9,h2\n")
    a, b = pattern(tmp_path / "p.csv")
    assert (a.name, a.point, b.diameter) == ("A", "h1", 9.0) and b.at == pytest.approx((120, 0, 0))
    document = ezdxf.new("R2000", units=1)  # inches
    document.modelspace().add_circle((1, 2), 0.25, dxfattribs={"layer": "CUT"})
    document.modelspace().add_circle((3, 2), 0.25, dxfattribs={"layer": "CUT"})
    document.modelspace().add_circle((0, 0), 5, dxfattribs={"layer": "EDGE"})
    document.saveas(tmp_path / "p.dxf")
    first, second = pattern(tmp_path / "p.dxf", "CUT")
    assert first.at == pytest.approx((25.4, 50.8, 0)) and second.diameter == pytest.approx(12.7)
    with pytest.raises(UsageError, match="has circles on CUT, EDGE: say which with --layer"):
        pattern(tmp_path / "p.dxf")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x_mm,y_mm\n0,0\n", "lacks the column diameter_mm"),
        ("x_mm,y_mm,diameter_mm\n0,a,9\n", "p.csv line 2: y_mm is 'a', which is no number"),
        ("x_mm,y_mm,diameter_mm\n0,0,0\n", "p.csv line 2: diameter_mm is 0: it must be more than 0"),
        ("x_mm,y_mm,diameter_mm\n0,0,9\n0,0.1,9\n", "holes 1 and 2 lie on one place"),
        ("name,x_mm,y_mm,diameter_mm\nA,0,0,9\nA,50,0,9\n", "two holes are named A"),
    ],
)
def test_faults_of_a_pattern(tmp_path, text, words):
    (tmp_path / "p.csv").write_text(text)
    with pytest.raises(UsageError) as told:
        pattern(tmp_path / "p.csv")
    assert words in str(told.value) and "\n" not in str(told.value)


def test_what_is_no_pattern_is_refused(tmp_path):
    (tmp_path / "p.dxf").write_bytes(b"no drawing at all")
    (tmp_path / "p.step").write_text("")
    for name, words in (
        ("p.dxf", "no DXF that can be read"),
        ("p.step", "a .csv of holes or a .dxf"),
        ("q.csv", "can't read"),
    ):
        with pytest.raises(UsageError, match=words):
            pattern(tmp_path / name)


@pytest.mark.parametrize(
    ("points", "asked", "error", "words"),
    [
        (("h1", "h2"), {}, UsageError, "the part has 4 holes and --points names 2"),
        (("h1", "h2", "h3", "far"), {}, DataError, "no order of the points has the part's distances within 10 mm"),
        (("h1", "h2", "h3", "h3"), {}, UsageError, "names a point twice"),
        (("h1", "h2", "h3", "h9"), {}, UsageError, "no point is named 'h9'; points.csv of the job has"),
        (("h1", "h2", "h3", "gone"), {}, DataError, "gone was not found in the scan"),
        (("h1", "h2", "h3", "h4"), {"bolt": "M10"}, UsageError, "hole 1 is 9 mm wide: M10 doesn't go through"),
        (
            ("h1", "h2", "h3", "tight"),
            {},
            UsageError,
            "tight is 6.80 mm wide: M8 doesn't go through; where it is a thread",
        ),
    ],
)
def test_what_cannot_be_tried(points, asked, error, words):
    more = (
        hole("far", (900.0, 200.0, 50.0)),
        hole("tight", tuple(chassis(*SQUARE).points[3].position), diameter=6.8),
        point("gone", "hole", (NAN, NAN, NAN), (0.0, 0, 0)),
    )
    found = MountPoints((*chassis(*SQUARE).points, *more), ())
    with pytest.raises(error) as told:
        tried(part(*SQUARE), found, points=points, **asked)
    assert words in str(told.value)


def test_a_bolt_is_named_or_a_diameter():
    assert bolt_mm("m8") == 8.0 and bolt_mm("7.94") == 7.94
    with pytest.raises(UsageError, match="--bolt M7: give a bolt, M6"):
        bolt_mm("M7")
