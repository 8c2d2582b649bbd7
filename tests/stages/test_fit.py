"""Fit on hand-made scans: every feature on its truth, no more of them than there are, and U as large as the error.

The truth is the construction in fit_case. Standard scores are pooled over features; with N of them the mean square
is 1 with standard error sqrt(2 / N), and bounds are wide enough for the scores being correlated and not quite normal.
"""

from dataclasses import replace

import numpy as np
import pytest
from fit_case import Points, Scanner, across, as_scan

from barerail.geometry.frames import from_rotation_vector
from barerail.records import Array, Feature, Features, Scan
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

TURN, SHIFT = from_rotation_vector([0.4, -1.1, 2.0]), np.array([312.0, -204.0, 516.0])
HOLES = [
    (x, y, r)
    for x, y, r in zip(
        np.tile(np.linspace(-160, 160, 6), 3),
        np.repeat([-55.0, 0.0, 55.0], 6),
        np.resize([6.25, 8.0, 10.0, 12.5, 7.0], 18),
        strict=True,
    )
]
THICK, STUD, SLOT = 4.0, (0.0, 125.0, 5.0), (-120.0, 125.0, 8.0, 6.0)
TOP = [(-170.0, 0.0, 6.25), (0.0, 5.0, 8.0), (150.0, -3.0, 10.0)]
GAP, TAB, BOLT, BORE, OUTSIDE, SLEEVE = 50.0, 5.0, 14.5, 20.0, 38.0, 70.0
CLEVIS_AT, SLEEVE_AT = np.array([100.0, 80.0, 0.0]), np.array([-100.0, 0.0, -60.0])


def found_in(scan: Scan, voxel: float = 0.0) -> Features:
    return fit(clean(scan, CleanSettings(voxel_mm=voxel)), FitSettings())


def posed(s: Scanner, points: Points, normals: bool = True) -> Scan:
    return s.scan(points.placed(TURN, SHIFT), normals)


def back(point: Array) -> Array:
    """From the scan to the frame it was made in."""
    return (np.asarray(point) - SHIFT) @ TURN


def local_cov(f: Feature) -> Array:
    return TURN.T @ f.cov @ TURN


def of_kind(features: Features, kind: str) -> list[Feature]:
    return [f for f in features.found if f.kind == kind]


def slotted(points: Points, slot: tuple[float, float, float, float]) -> Array:
    """Distance outside a slot (x, y, half length, radius) along x."""
    x, y, half, r = slot
    return np.hypot(np.maximum(np.abs(points.at[:, 0] - x) - half, 0), points.at[:, 1] - y) - r


def plate(s: Scanner) -> Points:
    """A sheet with 18 holes, a slot and a stud, and another one across its end."""
    x, y, half, r = SLOT
    sheet = s.sheet((400, 320), THICK, HOLES)
    under = (np.hypot(*(sheet.at[:, :2] - STUD[:2]).T) < STUD[2]) & (sheet.at[:, 2] == 0)
    keep = (slotted(sheet, SLOT) > 0) & ~under
    out = Points(sheet.at[keep], sheet.out[keep])
    for side in (-1.0, 1.0):
        end = s.wall((x + side * half, y, r), -THICK, 0.0)
        right = (end.at[:, 0] - x) * side > half
        out += Points(end.at[right], end.out[right])
        flank = s.flat((2 * half, THICK)).placed(np.array([[1.0, 0, 0], [0, 0, side], [0, -side, 0]]), [x, y, -2])
        out += flank.placed(np.eye(3), [0, -side * r, 0])
    out += s.wall(STUD, 0.0, 30.0, True) + s.flat((6.0, 6.0)).placed(np.eye(3), [*STUD[:2], 30.0])
    return out + s.sheet((160, 120), THICK).placed(across([1, 0, 0]), [206, 0, -2])


def rail(s: Scanner) -> Points:
    """A box rail with holes in its top, a two-tab bracket at its side and a sleeve below."""
    bracket = s.tabs(GAP, TAB, BOLT, 60).placed(across([0, 1, 0]), CLEVIS_AT)
    return s.box(480, 50, 70, 5, TOP) + bracket + s.sleeve(OUTSIDE, BORE, SLEEVE).placed(across([0, 1, 0]), SLEEVE_AT)


@pytest.fixture(scope="module")
def plate_found() -> Features:
    s = Scanner(np.random.default_rng(100))
    return found_in(posed(s, plate(s)))


@pytest.fixture(scope="module")
def rail_scan() -> Scan:
    s = Scanner(np.random.default_rng(102))
    return posed(s, rail(s))


@pytest.fixture(scope="module")
def rail_found(rail_scan: Scan) -> Features:
    return found_in(rail_scan, 4.0)


def at_hole(features: Features, x: float, y: float) -> Feature:
    near = [f for f in of_kind(features, "hole") if np.hypot(*(back(f.point)[:2] - [x, y])) < 2]
    assert len(near) == 1, f"{len(near)} holes at {x}, {y}"
    return near[0]


def test_planes_lie_on_their_truth_and_know_how_well(plate_found: Features) -> None:
    score = []
    faces = [p for p in plate_found.planes if p.area_mm2 > 10_000]
    truth = [(np.array([0, 0, 1.0]), 0.0), (np.array([0, 0, -1.0]), THICK)]
    truth += [(np.array([1.0, 0, 0]), 206.0), (np.array([-1.0, 0, 0]), -206.0 + THICK)]
    assert len(faces) == len(truth)
    for normal, offset in truth:
        p = max(faces, key=lambda p: float(p.normal @ TURN @ normal))
        assert p.rms == pytest.approx(0.08, rel=0.15)
        assert np.degrees(np.arccos(min(1.0, float(p.normal @ TURN @ normal)))) < 0.02
        score.append((back(p.centre) @ normal - offset) / np.sqrt(p.cov[0, 0]))
    assert 0.2 < np.mean(np.square(score)) < 4


def test_every_hole_is_found_once_and_nothing_else(plate_found: Features) -> None:
    for x, y, _ in HOLES:
        at_hole(plate_found, x, y)
    kinds = sorted(f.kind for f in plate_found.found)
    assert kinds == ["hole"] * len(HOLES) + ["slot", "stud"]


def test_holes_are_on_their_truth_and_their_u_is_neither_too_small_nor_too_large(plate_found: Features) -> None:
    across_axis, diameter = [], []
    for x, y, r in HOLES:
        f = at_hole(plate_found, x, y)
        across_axis += list((back(f.point)[:2] - [x, y]) / np.sqrt(np.diag(local_cov(f))[:2]))
        diameter.append((f.diameter - 2 * r) / f.u_diameter)
        assert f.arc_deg >= 300 and f.n > 60
        assert abs(f.axis @ TURN[:, 2]) > 0.9999
    for score in (across_axis, diameter):
        assert 0.5 < np.sqrt(np.mean(np.square(score))) < 1.5
        assert np.mean(np.abs(score) < 2) > 0.88
    assert abs(np.mean(diameter)) < 4 / np.sqrt(len(diameter))


def test_a_hole_through_a_sheet_has_both_faces_and_its_thickness(plate_found: Features) -> None:
    for x, y, _ in HOLES:
        f = at_hole(plate_found, x, y)
        assert len(f.ends) == 2
        z = sorted(float(back(e)[2]) for e in f.ends)
        np.testing.assert_allclose(z, [-THICK, 0.0], rtol=0, atol=0.06)
        assert f.length == pytest.approx(THICK, abs=4 * f.u_length)
        assert f.u_length < 0.1


def test_a_slot_has_its_width_overall_length_and_direction(plate_found: Features) -> None:
    x, y, half, r = SLOT
    (f,) = of_kind(plate_found, "slot")
    np.testing.assert_allclose(back(f.point)[:2], [x, y], rtol=0, atol=0.15)
    assert abs(f.along @ TURN[:, 0]) > 0.9998
    assert f.diameter == pytest.approx(2 * r, abs=0.25)
    assert f.length == pytest.approx(2 * (half + r), abs=0.25)


def test_a_stud_is_on_its_axis_where_it_meets_the_face(plate_found: Features) -> None:
    (f,) = of_kind(plate_found, "stud")
    np.testing.assert_allclose(back(f.point), [*STUD[:2], 0.0], rtol=0, atol=0.12)
    assert f.axis @ TURN[:, 2] > 0.9998
    assert f.diameter == pytest.approx(2 * STUD[2], abs=0.15)
    assert f.length == pytest.approx(30.0, abs=1.5)


def test_rounded_corners_of_a_rail_are_no_tubes_and_nothing_is_made_up(rail_found: Features) -> None:
    assert sorted(f.kind for f in rail_found.found) == ["bolt-axis", "hole", "hole", "hole", "sleeve"]


def test_holes_in_a_rail_face_out_of_it(rail_found: Features) -> None:
    for x, y, r in TOP:
        f = at_hole(rail_found, x, y)
        score = (back(f.point) - [x, y, 35.0]) / np.sqrt(np.diag(local_cov(f)))
        assert (np.abs(score) < 4).all()
        assert f.axis @ TURN[:, 2] > 0.9999
        assert f.diameter == pytest.approx(2 * r, abs=4 * f.u_diameter)
        assert np.isnan(f.length)


def test_a_bolt_axis_is_mid_way_between_the_inner_faces(rail_found: Features) -> None:
    (f,) = of_kind(rail_found, "bolt-axis")
    np.testing.assert_allclose(back(f.point), CLEVIS_AT, rtol=0, atol=0.06)
    assert (np.abs((back(f.point) - CLEVIS_AT) / np.sqrt(np.diag(local_cov(f)))) < 4).all()
    assert abs(f.axis @ TURN[:, 1]) > 0.9999
    assert f.length == pytest.approx(GAP, abs=0.08)
    assert f.diameter == pytest.approx(BOLT, abs=4 * f.u_diameter)
    np.testing.assert_allclose(sorted(back(e)[1] for e in f.ends), [80 - GAP / 2, 80 + GAP / 2], rtol=0, atol=0.06)
    for tab in ("tab_a_mm", "tab_b_mm"):
        assert f.detail[tab] == pytest.approx(TAB, abs=0.1)
    for angle in ("tab_angle_a_deg", "tab_angle_b_deg"):
        assert 0 <= f.detail[angle] < 0.3


def test_a_sleeve_has_its_bore_outside_length_and_middle(rail_found: Features) -> None:
    (f,) = of_kind(rail_found, "sleeve")
    np.testing.assert_allclose(back(f.point), SLEEVE_AT, rtol=0, atol=0.05)
    assert abs(f.axis @ TURN[:, 1]) > 0.9999
    assert f.diameter == pytest.approx(BORE, abs=max(4 * f.u_diameter, 0.05))
    assert f.length == pytest.approx(SLEEVE, abs=0.2)
    assert f.detail["outside_diameter_mm"] == pytest.approx(OUTSIDE, abs=0.05)
    assert "bore" in f.note


def test_stations_of_a_rail_are_on_its_centre_line_with_its_size(rail_found: Features) -> None:
    (r,) = rail_found.rails
    assert r.section == "box" and len(r.stations) >= 3
    along = np.array([back(s.centre)[0] for s in r.stations])
    assert (np.abs(np.diff(along)) > 60).all() and np.ptp(along) > 240
    score = []
    for s in r.stations:
        assert all(s.seen)
        local = s.axes @ TURN
        assert abs(local[0] @ [1, 0, 0]) > 0.99999
        np.testing.assert_allclose(local @ local.T, np.eye(3), rtol=0, atol=1e-9)
        assert np.linalg.det(local) == pytest.approx(1.0)
        sizes = [50.0 if abs(local[k] @ [0, 1, 0]) > 0.9 else 70.0 for k in (1, 2)]
        error = [float(back(s.centre) @ local[1]), float(back(s.centre) @ local[2])]
        error += [s.size[0] - sizes[0], s.size[1] - sizes[1]]
        score.append(np.array(error) / np.sqrt(np.diag(s.cov)[[0, 1, 3, 4]]))
        assert max(map(abs, error)) < 0.05
    assert 0.3 < np.sqrt(np.mean(np.square(score))) < 2.0


def key(f: Feature) -> tuple[str, float]:
    return f.kind, round(f.diameter)


def test_answer_moves_with_the_scan(rail_scan: Scan, rail_found: Features) -> None:
    """By a whole number of cells, and of the 12 mm over which pieces are joined, the cells hold the same points."""
    shift = np.array([1200.0, -600.0, 2400.0])
    moved = found_in(replace(rail_scan, points=rail_scan.points + shift), 4.0)
    assert [f.kind for f in moved.found] == [f.kind for f in rail_found.found]
    for f, g in zip(moved.found, rail_found.found, strict=True):
        np.testing.assert_allclose(f.point - shift, g.point, rtol=0, atol=1e-5)
        np.testing.assert_allclose(f.axis, g.axis, rtol=0, atol=1e-6)
        np.testing.assert_allclose(f.cov, g.cov, rtol=1e-3, atol=1e-9)
    for s, t in zip(moved.rails[0].stations, rail_found.rails[0].stations, strict=True):
        np.testing.assert_allclose(s.centre - shift, t.centre, rtol=0, atol=1e-5)


def test_answer_turns_with_the_scan(rail_scan: Scan, rail_found: Features) -> None:
    """A turned scan falls into other cells: the same features, each within its own U of where it was."""
    turn = from_rotation_vector([1.0, 0.3, -0.7])
    assert rail_scan.normals is not None
    other = found_in(as_scan(rail_scan.points @ turn.T, rail_scan.normals @ turn.T.astype(np.float32)), 4.0)
    assert sorted(map(key, other.found)) == sorted(map(key, rail_found.found))
    for f in other.found:
        apart = [np.linalg.norm(turn.T @ f.point - g.point) for g in rail_found.found]
        g = rail_found.found[int(np.argmin(apart))]
        off = turn.T @ f.point - g.point
        assert f.kind == g.kind
        assert (np.abs(off) < 2 * np.sqrt(np.diag(g.cov)) + 1e-6).all()
        assert abs(f.diameter - g.diameter) < 2 * g.u_diameter


def test_same_scan_same_answer(rail_scan: Scan, rail_found: Features) -> None:
    again = found_in(rail_scan, 4.0)
    for f, g in zip(again.found, rail_found.found, strict=True):
        assert f.point.tobytes() == g.point.tobytes() and f.cov.tobytes() == g.cov.tobytes()
    assert again.noise == rail_found.noise and again.notes == rail_found.notes


def test_without_normals_the_same_rail_sleeve_bracket_and_holes_are_found(rail_scan: Scan) -> None:
    features = found_in(replace(rail_scan, normals=None))
    assert sorted(f.kind for f in features.found) == ["bolt-axis", "hole", "hole", "hole", "sleeve"]
    assert len(features.rails) == 1
    for x, y, _ in TOP:
        assert at_hole(features, x, y).axis @ TURN[:, 2] > 0.9999
