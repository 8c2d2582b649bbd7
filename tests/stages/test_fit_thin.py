"""Fit on what is thin against the scan's spacing: studs, tubes of a space frame, edges of sheet. The truth is the
construction, or the simulator's own; the seeds are for regression, nothing was developed on them."""

from types import SimpleNamespace

import numpy as np
import pytest
from fit_case import Points, Scanner, across

from barerail.records import Feature, Features, NoiseModel, Plane
from barerail.scene import SceneCase, make
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import face_studs, fit, holes
from barerail.stages.fit.shafts import once, shaft_of
from barerail.stages.fit.studs import shafts_on_faces

STUDS = [(-60.0, 40.0, 4.0, 26.0), (50.0, -30.0, 3.0, 34.0)]
"""Place on a face, radius and length of studs, mm."""
WIDE = 14.0


NOISE = NoiseModel(0.02, 0.02, 10.0, 0.0, 0.0)


def found_in(s: Scanner, points: Points) -> Features:
    return fit(clean(s.scan(points), CleanSettings()), FitSettings())


def studs_of(features: Features) -> list[Feature]:
    return sorted((f for f in features.found if f.kind == "stud"), key=lambda f: float(f.point[0]))


@pytest.mark.parametrize(("spacing", "count"), [(2.8, 1), (2.0, 2)])
def test_a_stud_whose_foot_is_no_empty_disc_is_found_by_its_shaft(spacing: float, count: int) -> None:
    """8 mm at 2.8 mm, 6 mm at 2.0 mm: an empty disc is told from chance from 5 spacings."""
    s = Scanner(np.random.default_rng(150), spacing)
    points = s.sheet((260, 200), 4.0)
    for x, y, r, length in STUDS[:count]:
        on = np.hypot(points.at[:, 0] - x, points.at[:, 1] - y) < r
        points = Points(points.at[~on], points.out[~on]) + s.wall((x, y, r), 0.0, length, True)
    found = studs_of(found_in(s, points))
    assert len(found) == count
    for f, (x, y, r, length) in zip(found, STUDS, strict=False):
        assert (np.abs(f.point - [x, y, 0]) < 4 * np.sqrt(np.diag(f.cov))).all()
        assert np.abs(f.point - [x, y, 0]).max() < 0.25 and abs(f.diameter - 2 * r) < 2 * f.u_diameter < 0.6
        assert f.length == pytest.approx(length, abs=2.0) and f.axis[2] > 0.99


@pytest.mark.parametrize("beside", [2.0, 50.0])
def test_a_pin_past_the_edge_of_a_face_stands_on_none(beside: float) -> None:
    """A notch is in the box about the face, and its other side near."""
    s = Scanner(np.random.default_rng(153), 2.8)
    points = s.sheet((260, 200), 4.0)
    gone = (points.at[:, 0] > 0) & (points.at[:, 1] > 0)
    points = Points(points.at[~gone], points.out[~gone]) + s.wall((4.0 + beside, 50, 4.0), -40.0, 40.0, True)
    scan = clean(s.scan(points), CleanSettings(speck_points=0))
    assert not studs_of(fit(scan, FitSettings()))


def test_a_stud_at_the_end_of_a_lopsided_face_is_found() -> None:
    """A T whose arm reaches beyond twice the mean of its points."""
    s = Scanner(np.random.default_rng(154), 2.8)
    points = s.sheet((160, 200), 4.0) + s.sheet((320, 60), 4.0).placed(np.eye(3), [240, 0, 0])
    on = np.hypot(points.at[:, 0] - 360, points.at[:, 1]) < 4
    points = Points(points.at[~on], points.out[~on]) + s.wall((360, 0, 4.0), 0.0, 30.0, True)
    (f,) = studs_of(found_in(s, points))
    assert np.abs(f.point - [360, 0, 0]).max() < 0.25


def test_the_inside_of_a_cup_is_no_stud() -> None:
    s = Scanner(np.random.default_rng(155), 2.0)
    assert not studs_of(found_in(s, s.sheet((260, 200), 4.0) + s.wall((0, 0, 5.0), 0.0, 25.0)))


def test_a_stud_through_a_plate_on_a_tube_is_told_once() -> None:
    """It stands on the plate; 3 mm lower it would stand on the tube."""
    s = Scanner(np.random.default_rng(156), 1.6)
    tube = s.wall((0, 0, WIDE), -200, 200, True).placed(across([1, 0, 0]), [0, 0, 0])
    plate = s.sheet((60, 60), 3.0).placed(np.eye(3), [0, 0, WIDE + 3])
    on = np.hypot(plate.at[:, 0], plate.at[:, 1]) < 5
    stud = s.wall((0, 0, 5.0), WIDE + 3, WIDE + 34, True)
    (f,) = studs_of(found_in(s, tube + Points(plate.at[~on], plate.out[~on]) + stud))
    assert f.point == pytest.approx([0, 0, WIDE + 3], abs=0.2)


def test_a_strut_between_two_tubes_is_a_tube() -> None:
    s = Scanner(np.random.default_rng(157), 1.6)
    tube = s.wall((0, 0, WIDE), -200, 200, True).placed(across([1, 0, 0]), [0, 0, 0])
    other = s.wall((0, 0, WIDE), -200, 200, True).placed(across([1, 0, 0]), [0, 0, 2 * WIDE + 60])
    sheet = s.sheet((200, 160), 4.0).placed(np.eye(3), [0, 200, 0])
    found = found_in(s, tube + other + s.wall((0, 0, 9.0), WIDE, WIDE + 60, True) + sheet)
    assert not studs_of(found)
    assert sorted(round(f.diameter) for f in found.found if f.kind == "tube") == [18, 2 * WIDE, 2 * WIDE]


def threaded(s: Scanner, x: float, d: float, pitch: float, length: float) -> Points:
    """A stud along z whose flanks are straight, 0.613 pitches high (ISO 68-1, from memory)."""
    shaft = s.wall((x, 0, d / 2), 0.0, length, True)
    turn = np.arctan2(shaft.at[:, 1], shaft.at[:, 0] - x) / (2 * np.pi)
    down = 0.613 * pitch * np.abs(2 * ((shaft.at[:, 2] / pitch + turn) % 1) - 1)
    return Points(shaft.at - down[:, None] * shaft.out, shaft.out)


@pytest.mark.parametrize("spacing", [1.0, 2.0])
def test_threaded_studs_are_found_with_the_thread_in_their_u_and_say_what_their_diameter_is(spacing: float) -> None:
    s = Scanner(np.random.default_rng(158), spacing)
    points, wanted = s.sheet((300, 200), 4.0), [(-90.0, 6.0, 1.0), (0.0, 8.0, 1.25), (90.0, 12.0, 1.75)]
    for x, d, pitch in wanted:
        on = np.hypot(points.at[:, 0] - x, points.at[:, 1]) < d / 2
        points = Points(points.at[~on], points.out[~on]) + threaded(s, x, d, pitch, 28.0)
    found = studs_of(found_in(s, points))
    assert len(found) == len(wanted)
    for f, (x, d, pitch) in zip(found, wanted, strict=True):
        assert f.diameter == pytest.approx(d - 0.613 * pitch, abs=0.15) and "mean" in f.note
        u = np.sqrt(np.diag(f.cov))
        assert (np.abs(f.point - [x, 0, 0]) < 3.5 * u).all() and 0.01 < u[0] < 0.12


def test_a_low_block_of_round_plan_is_no_stud() -> None:
    """A boss wider than tall, a nut or a spacer: no shaft whose axis the scan tells."""
    s = Scanner(np.random.default_rng(151), 2.0)
    boss = s.wall((0, 0, WIDE / 2), 0.0, WIDE / 2 + 3, True)
    assert not studs_of(found_in(s, s.sheet((260, 200), 4.0) + boss))


def test_a_stud_on_a_tube_hardly_thicker_than_itself_is_found() -> None:
    s = Scanner(np.random.default_rng(152), 1.6)
    tube = s.wall((0, 0, WIDE), -200, 200, True).placed(across([1, 0, 0]), [0, 0, 0])
    shaft = s.wall((30, 0, 5.0), WIDE - 3, WIDE + 30, True)
    clear = np.hypot(shaft.at[:, 1], shaft.at[:, 2]) > WIDE
    sheet = s.sheet((200, 160), 4.0).placed(np.eye(3), [0, 200, 0])
    (f,) = studs_of(found_in(s, tube + Points(shaft.at[clear], shaft.out[clear]) + sheet))
    assert f.diameter == pytest.approx(10.0, abs=0.15)
    assert (np.abs(f.point - [30, 0, WIDE]) < 4 * np.sqrt(np.diag(f.cov))).all()


def stud(at: list[float], axis: list[float], length: float) -> Feature:
    nothing, nan = np.zeros((3, 3)), float("nan")
    return Feature("stud", np.array(at), np.array(axis), 8.0, length, nothing, nothing, nan, nan, 360, 0, nan, -1)


def test_a_shaft_is_one_stud_and_studs_in_line_are_two() -> None:
    right, wrong = stud([0, 0, 0], [0, 0, 1], 30.0), stud([0, 0, 34], [0, 0, -1], 33.0)
    behind = stud([0, 0, -28], [0, 0, -1], 31.0)
    assert once([right, wrong, behind]) == [right, behind]


@pytest.mark.parametrize("first", [True, False])
def test_a_stud_that_ends_on_another_tube_stands_on_the_one_that_it_is_square_to(first: bool) -> None:
    s = Scanner(np.random.default_rng(159), 1.6)
    mine, other = (250, 150) if first else (150, 250)
    tube = s.wall((0, 0, WIDE), -mine, mine, True).placed(across([1, 0, 0]), [0, 0, 0])
    past = s.wall((0, 0, WIDE), -other, other, True).placed(across([1.0, 0, 0.3]), [0, 4, 2 * WIDE + 31])
    sheet = s.sheet((200, 160), 4.0).placed(np.eye(3), [0, 200, 0])
    (f,) = studs_of(found_in(s, tube + past + sheet + s.wall((0, 0, 5.0), WIDE, WIDE + 30, True)))
    assert f.axis[2] > 0.99 and f.point == pytest.approx([0, 0, WIDE], abs=0.2)


@pytest.fixture(scope="module")
def space_frame() -> tuple[Features, list[dict]]:
    made = make(SceneCase("tube", 132, 132, small=True, spacing_mm=2.8))
    return fit(clean(made.scan, CleanSettings()), FitSettings()), made.truth["features"]


@pytest.mark.parametrize(("kind", "count"), [("tube", 25), ("stud", 8)])
def test_a_space_frame_whose_tubes_all_hang_together_has_them_all(space_frame, kind, count):
    """Fillets join all of it into one round piece at this spacing; it had twelve tubes at most."""
    found, truths = space_frame
    mine = [t for t in truths if t["kind"] == kind]
    hit = 0
    for t in mine:
        offs = [(f, f.point - np.asarray(t["p"])) for f in found.found if f.kind == kind]
        axis = np.asarray(t["axis"])
        hit += any(np.linalg.norm(np.cross(o, axis)) < 0.5 and abs(f.axis @ axis) > 0.99 for f, o in offs)
    assert len(mine) == hit == count


def tube(diameter: float, arc: float) -> Feature:
    f = stud([0, 0, 0], [0, 0, 1], 60.0)
    return Feature(**{**f.__dict__, "kind": "tube", "diameter": diameter, "arc_deg": arc})


@pytest.mark.parametrize(
    ("voxel", "sigma", "rms", "lump"),
    [(2.0, 0.1, 0.45, True), (2.0, 0.1, 0.35, False), (2.0, 0.3, 0.45, False), (0.0, 0.1, 5.0, False)],
)
def test_the_side_of_a_lump_in_a_mesh_has_no_holes_and_a_noisy_scan_still_has(monkeypatch, voxel, sigma, rms, lump):
    monkeypatch.setattr(holes, "bores_in", lambda face, cloud, settings: [None])
    monkeypatch.setattr(holes, "_told", lambda *_: (None, "looked at"))
    cloud, noise = SimpleNamespace(mesh=voxel > 0, voxel_mm=voxel), SimpleNamespace(sigma_mm=sigma)
    ((nothing, why),) = holes.told_in(None, rms, cloud, noise, FitSettings())
    assert nothing is None and (why != "looked at") == lump


def test_a_rough_thing_whose_faces_do_not_cancel_is_no_threaded_stud() -> None:
    """A hexagon bar: its flats lie as far off the mean radius as an M10 thread's flanks do."""
    s = Scanner(np.random.default_rng(160), 1.2)
    bar = s.wall((0, 0, 5.0), 0.0, 30.0, True)
    turn = (np.arctan2(bar.at[:, 1], bar.at[:, 0]) % (np.pi / 3)) - np.pi / 6
    bar = Points(bar.at * np.column_stack([1 / np.cos(turn)] * 2 + [np.ones(len(turn))]), bar.out)
    on = np.hypot(*(sheet := s.sheet((200, 160), 4.0)).at[:, :2].T) < 5.5
    assert not studs_of(found_in(s, Points(sheet.at[~on], sheet.out[~on]) + bar))


def test_a_sleeve_that_stands_on_a_plate_is_no_stud() -> None:
    s = Scanner(np.random.default_rng(161), 1.6)
    found = found_in(s, s.sheet((260, 200), 4.0) + s.sleeve(24.0, 12.0, 40.0).placed(np.eye(3), [0, 0, 20.0]))
    (f,) = found.found
    assert f.kind == "sleeve" and f.diameter == pytest.approx(12.0, abs=0.15)


def test_what_is_thicker_than_its_tube_is_no_stud_on_it() -> None:
    s = Scanner(np.random.default_rng(162), 1.6)
    tube = s.wall((0, 0, 12.0), -200, 200, True).placed(across([1, 0, 0]), [0, 0, 0])
    stub = s.wall((0, 0, 14.0), 0.0, 70.0, True)
    clear = np.hypot(stub.at[:, 1], stub.at[:, 2]) > 12.0
    sheet = s.sheet((200, 160), 4.0).placed(np.eye(3), [0, 200, 0])
    assert not studs_of(found_in(s, tube + Points(stub.at[clear], stub.out[clear]) + sheet))


@pytest.mark.parametrize(("width", "arc", "one"), [(4.0, 290, False), (4.0, 345, True), (5.5, 230, True)])
def test_in_a_mesh_a_thin_shaft_must_be_seen_all_round(width: float, arc: float, one: bool) -> None:
    """Width in voxels of 2 mm, as read."""
    cloud = SimpleNamespace(mesh=True, voxel_mm=2.0, sigma=0.1, roughest=lambda times: 0.5)
    rng = np.random.default_rng(164)
    turn, z = rng.uniform(0, np.radians(arc), 500), rng.uniform(0, 30, 500)
    points = np.column_stack([width * np.cos(turn), width * np.sin(turn), z])
    assert (shaft_of(points, np.array([0, 0, 1.0]), cloud, 0.8) is not None) == one


@pytest.mark.parametrize(("thickness", "pushed"), [(3.0, 0.6), (30.0, 0.05)])
def test_in_a_mesh_a_stud_on_thin_sheet_has_in_its_u_by_how_much_that_stands_proud(thickness, pushed):
    """Both ways a face is known: from what lies about the foot, and from the faces found."""
    s = Scanner(np.random.default_rng(163), 2.0, 0.0)
    near = s.sheet((80, 80), thickness).at
    clean_scan = SimpleNamespace(spacing_mm=2.0)
    cloud = SimpleNamespace(near=lambda at, reach: near, clean=clean_scan, voxel_mm=2.0, mesh=True, sigma=0.1)
    turn, z = np.meshgrid(np.arange(0, 2 * np.pi, 0.2), np.arange(4.0, 30.0))
    shaft = np.column_stack([6 * np.cos(turn.ravel()), 6 * np.sin(turn.ravel()), z.ravel()])
    cloud.roughest = lambda times: 0.5
    _, up = face_studs._seat(shaft_of(shaft, np.array([0, 0, 1.0]), cloud, 0.8), face(0.0, 1.0), cloud, NOISE)
    assert np.sqrt(up) == pytest.approx(2 * pushed, abs=0.03)
    rod = Feature(**{**tube(12.0, 360).__dict__, "point": np.array([0, 0, 30.0])})
    _, (f,) = shafts_on_faces([rod], (face(0.0, 1.0), face(-thickness, -1.0)), 2.0)
    assert np.sqrt(f.cov[2, 2]) == pytest.approx(2 * pushed, abs=0.03)


def face(z: float, up: float) -> Plane:
    """A face 80 mm square at that height that looks up or down."""
    outline = np.array([[x, y, z] for x, y in ((-40.0, -40), (40, -40), (40, 40), (-40, 40))])
    axes, cov = np.diag([1.0, up, up]), 1e-8 * np.eye(3)
    return Plane(np.array([0, 0, z]), axes, cov, 0.1, 900, 6400.0, (80.0, 80.0), np.zeros(0, int), outline)


@pytest.mark.parametrize(
    ("mesh", "cover", "misfit", "torn"),
    [(True, 0.83, 1.0, True), (True, 0.92, 1.0, False), (True, 0.83, 0.75, False), (False, 0.83, 1.0, False)],
)
def test_in_a_mesh_a_rim_that_is_open_and_without_edge_in_places_is_a_tear(mesh, cover, misfit, torn):
    rim = SimpleNamespace(mean=np.array([0, 0, 6.0]), misfit=misfit, n_wall=20)
    bore = SimpleNamespace(rim=rim, cover=cover, closed_behind=False, brim=1.0, wall_share=0.8, gap=45.0)
    cloud = SimpleNamespace(mesh=mesh, clean=SimpleNamespace(spacing_mm=1.6))
    assert (holes._why_not(bore, cloud, FitSettings()) == "its rim does not close") == torn
