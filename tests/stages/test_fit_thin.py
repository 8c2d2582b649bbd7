"""Fit on what is thin against the scan's spacing: studs, tubes of a space frame, edges of sheet. The truth is the
construction, or the simulator's own; the seeds are for regression, nothing was developed on them."""

from types import SimpleNamespace

import numpy as np
import pytest
from fit_case import Points, Scanner, across

from barerail.records import Feature, Features
from barerail.scene import SceneCase, make
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit, holes
from barerail.stages.fit.shafts import once
from barerail.stages.fit.tubes import without_edges

STUDS = [(-60.0, 40.0, 4.0, 26.0), (50.0, -30.0, 3.0, 34.0)]
"""Place on a face, radius and length of studs, mm."""
WIDE = 14.0


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


def test_a_stud_between_two_tubes_stands_on_the_one_and_studs_in_line_are_two() -> None:
    right, wrong = stud([0, 0, 0], [0, 0, 1], 30.0), stud([0, 0, 34], [0, 0, -1], 33.0)
    behind = stud([0, 0, -28], [0, 0, -1], 31.0)
    assert once([wrong, right]) == [right]
    assert once([behind, right]) == [right, behind]


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


def test_what_may_be_the_edge_of_a_sheet_in_a_fused_mesh_is_told_as_dropped() -> None:
    edge, rod, thick = tube(11.0, 200), tube(11.0, 350), tube(20.0, 200)
    kept, notes = without_edges([edge, rod, thick], 2.4)
    assert kept == [rod, thick] and [n.count for n in notes] == [1]
    assert without_edges([edge, rod, thick], 0.0) == ([edge, rod, thick], ())


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
