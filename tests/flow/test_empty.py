"""Empty places told on the pages: by the mirrored side in a datum, by edges without one, and never for sure else."""

import re
from dataclasses import replace

import numpy as np
import outputs_case as case
import pytest

from barerail.geometry.skins import Face
from barerail.outputs.empty import Empty, empty_by_edges, empty_by_mirror
from barerail.outputs.page_look import look_html
from barerail.outputs.unseen import DOUBT, MOST, empty_words, more_words
from barerail.records import CHASSIS, Array, CleanScan, Features, Plane, Rail, Station
from barerail.settings import ReportSettings

STEP = 3.0


def top(y: float) -> Array:
    """The upper face of a rail 90 mm wide along y, at z = 100."""
    x, across = (v.ravel() for v in np.meshgrid(np.arange(-600, 600.1, STEP), np.arange(y - 45, y + 45.1, STEP)))
    return np.column_stack([x, across, np.full(len(x), 100.0)])


def cleaned(points: Array, normals: Array | None = None, own: bool = True) -> CleanScan:
    n = len(points)
    up = np.tile([0.0, 0, 1], (n, 1)) if normals is None else normals
    scan = replace(case.mesh_scan(), points=points, normals=None, triangles=None)
    return CleanScan(scan, points, up, own, np.zeros(n), np.full(n, CHASSIS, np.uint8),
                     np.arange(n), np.arange(n + 1), STEP, 2.0, 0.1, None)  # fmt: skip


def features(clean: CleanScan) -> Features:
    """Both upper faces and both box rails."""
    planes, rails = [], []
    for y in (400.0, -400.0):
        rows = np.flatnonzero(np.abs(clean.thin[:, 1] - y) < 50)
        centre = np.array([0.0, y, 100.0])
        planes.append(Plane(centre, np.eye(3), np.eye(3), 0.1, 9, 1e5, (1200.0, 90.0), rows, case.FACE_RING))
        at = [np.array([x, y, 50.0]) for x in (-500.0, 0.0, 500.0)]
        rails.append(Rail("box", tuple(
            Station(c, np.eye(3), (90.0, 100.0), np.eye(5), (True,) * 4, 99, 0.1) for c in at)))  # fmt: skip
    return replace(case.features(), planes=tuple(planes), rails=tuple(rails), found=())


def rails(*holes: tuple[float, float]) -> CleanScan:
    """Two rails' upper faces without what lies within 35 mm of the holes (x, y)."""
    points = np.vstack([top(400.0), top(-400.0)])
    gone = [np.linalg.norm(points[:, :2] - at, axis=1) < 35 for at in (*holes, (9e9, 0))]
    return cleaned(points[~np.any(gone, axis=0)])


DATUM = replace(case.datum(), car_from_scan=np.eye(4))


def test_a_place_that_the_other_side_shows_is_to_be_scanned_again() -> None:
    clean = rails((-450.0, 400.0))
    told = empty_by_mirror(clean, features(clean), DATUM)
    (words,) = empty_words(told, features(clean), DATUM, case.mount_points().points)
    assert re.match(
        r"rescan the upper face of the left rear rail near x = -4(4|5)\d, y = (39|40)\d, z = 100 mm, by -L", words
    )
    assert "no points over 6" in words and "cm2" in words


def test_a_place_empty_on_both_sides_may_be_an_opening() -> None:
    clean = rails((-450.0, 400.0), (-450.0, -400.0))
    told = empty_by_mirror(clean, features(clean), DATUM)
    words = empty_words(told, features(clean), DATUM, ())
    assert len(words) == 2 and all(w.endswith(DOUBT) and "rescan" not in w for w in words)


@pytest.mark.parametrize(("lower", "told"), [(None, True), (6.0, False)])
def test_a_corner_that_the_other_side_shows_is_to_be_scanned_again(lower: float | None, told: bool) -> None:
    """A face that ends early on one side, and one whose corner is bent down by 6 mm."""
    points = np.vstack([top(400.0), top(-400.0)])
    corner = (points[:, 0] < -450) & (points[:, 1] > 395)
    moved = points - np.outer(corner, [0.0, 0.0, lower or 0.0])
    clean = cleaned(moved if lower else points[~corner])
    found = features(clean)
    flat = tuple(replace(p, members=p.members[clean.thin[p.members, 2] > 99]) for p in found.planes)
    empties = empty_by_mirror(clean, replace(found, planes=flat), DATUM)
    assert [e.missed for e in empties] == [True] * told
    if told:
        assert empties[0].at[:2] == pytest.approx([-525, 420], abs=6)
        assert empties[0].gaps[0].area_mm2 == pytest.approx(150 * 50, rel=0.15)
        assert empties[0].gaps[0].wide == pytest.approx(50, abs=2 * STEP)


def test_a_strip_of_a_tube_is_told_with_its_share_of_the_round() -> None:
    """The lower third of the left one of two cross tubes, 200 of its 400 mm: the right one shows it."""
    x, turn = (v.ravel() for v in np.meshgrid(np.arange(0, 400.1, STEP), np.arange(-np.pi, np.pi, STEP / 25)))
    out = np.column_stack([0 * turn, np.cos(turn), np.sin(turn)])
    tube = np.column_stack([x, 0 * x, 0 * x]) + 25 * out
    lost = (turn > -np.pi * 5 / 6) & (turn < -np.pi / 6) & (np.abs(x - 200) < 100)
    points, normals = np.vstack([tube[~lost] + [0, 300, 0], tube - [0, 300, 0]]), np.vstack([out[~lost], out])
    found = [replace(f, kind="tube", point=np.array([200.0, y, 0]), axis=np.array([1.0, 0, 0]), diameter=50.0,
                     length=400.0, ends=np.array([[0.0, y, 0], [400.0, y, 0]])) for y, f in
             zip((300.0, -300.0), case.features().found)]  # fmt: skip
    clean = cleaned(points, normals)
    every = replace(case.features(), planes=(), rails=(), found=tuple(found))
    told = empty_by_mirror(clean, every, DATUM)
    (words,) = empty_words(told, every, DATUM, ())
    assert re.match(
        r"rescan the lower side of a tube on the left near x = (19\d|20\d), y = (29\d|30\d), z = -2\d mm:", words
    )
    assert words.endswith("cm2, 16 % of that tube's surface") and told[0].gaps[0].area_mm2 == pytest.approx(
        10472, rel=0.1
    )


def test_the_inside_of_a_closed_rail_is_not_told() -> None:
    clean = rails((-450.0, 400.0))
    found = features(clean)
    under = tuple(replace(p, axes=np.diag([1.0, -1, -1])) for p in found.planes)
    down = replace(clean, normals=-clean.normals)
    assert empty_by_mirror(down, replace(found, planes=under), DATUM) == ()


def walled(points: Array, holes: Array) -> tuple[Array, Array]:
    """Points of a face with round holes of 9 mm radius, and their walls."""
    turn, z = (v.ravel() for v in np.meshgrid(np.arange(0, 2 * np.pi, 0.3), [-1.5, -3.0]))
    out = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(len(turn))])
    face = points[~np.any([np.linalg.norm(points - h, axis=1) < 9 for h in holes], axis=0)]
    walls = [h + 9.0 * out + z[:, None] * [0.0, 0, 1] for h in holes]
    normals = [np.tile([0.0, 0, 1], (len(face), 1)), *[-out] * len(holes)]
    return np.vstack([face, *walls]), np.vstack(normals)


@pytest.mark.parametrize(("walls", "own", "missed"), [(12, True, True), (3, True, False), (12, False, False)])
def test_before_a_datum_only_a_scan_that_shows_its_walls_is_sure(walls: int, own: bool, missed: bool) -> None:
    holes = np.array([[-570.0 + 40 * k, 400.0, 100.0] for k in range(walls)])
    points, normals = walled(rails((300.0, 400.0)).thin, holes)
    clean = cleaned(points, normals, own)
    face = np.flatnonzero((points[:, 1] > 0) & (points[:, 2] > 99.9))
    faces = [Face(np.array([0.0, 400.0, 100.0]), np.eye(3), face)]
    (told,) = empty_by_edges(clean, faces)
    assert told.missed is missed and told.at[:2] == pytest.approx([300, 400], abs=6)
    page = look_html(clean, ReportSettings(), "a", "run", faces).decode()
    assert ("<li>not scanned: no points over" in page) is missed and (DOUBT in page) is not missed


def test_many_places_are_told_the_largest_first_and_counted() -> None:
    gap = empty_by_mirror(rails((0.0, 400.0)), features(rails((0.0, 400.0))), DATUM)[0].gaps
    many = [Empty(gap, True)] * (MOST + 3)
    assert len(empty_words(many, features(rails()), DATUM, ())) == MOST and more_words(many).startswith("and 3 smaller")
