"""Flat places: area, tilt, room to the edge by hand on plates laid out by points, and what is refused."""

import numpy as np
import pytest
from parts_case import CAR_FROM_SCAN, NOISE, datum, hole

from barerail.asked import FlatsSettings
from barerail.errors import DataError, UsageError
from barerail.geometry.frames import from_rotation_vector, invert, transform
from barerail.outputs.flats import flats_files
from barerail.records import CleanScan, Features, MountPoints, Plane, Scan, Source
from barerail.stages.flats import flats

WIDE, LONG, STEP = 160.0, 120.0, 1.0
TILT = 5.0


def plates() -> tuple[CleanScan, Features]:
    """A level plate 160 x 120 with a hole of 30 mm, one tilted 5 degrees to the left, and one bent 3 mm."""
    x, y = (g.ravel() for g in np.meshgrid(np.arange(0, WIDE + 0.5, STEP), np.arange(0, LONG + 0.5, STEP)))
    level = np.column_stack([x, y + 200, np.zeros(len(x)) + 50])
    level = level[np.hypot(level[:, 0] - 40, level[:, 1] - 230) > 15]
    turned = np.column_stack([x, y, np.zeros(len(x))]) @ from_rotation_vector((np.radians(TILT), 0, 0)).T + (0, 400, 50)
    bent = np.column_stack([x + 300, y + 200, 50 + 3 * ((x - 80) / 80) ** 2])
    pieces, back = [level, turned, bent], invert(CAR_FROM_SCAN)
    car = np.vstack(pieces)
    starts = np.cumsum([0, *map(len, pieces)])
    normal = [np.array([0.0, 0, 1]), from_rotation_vector((np.radians(TILT), 0, 0))[:, 2], np.array([0.0, 0, 1])]
    planes = []
    for piece, n, a, b in zip(pieces, normal, starts, starts[1:]):
        axes = np.array([(1.0, 0, 0), np.cross(n, (1.0, 0, 0)), n]) @ back[:3, :3].T
        planes.append(Plane(transform(back, piece.mean(axis=0)), axes, np.diag([1e-6, 1e-8, 1e-8]), 0.02, b - a,
                            len(piece) * STEP**2, (WIDE, LONG), np.arange(a, b), np.zeros((0, 3))))  # fmt: skip
    points = transform(back, car)
    scan = Scan(points, None, None, "mm", 1.0, False, (Source("s", "0", 1, (0, len(car)), np.eye(4)),))
    rows = np.arange(len(car))
    clean = CleanScan(scan, points, np.zeros_like(points), True, np.zeros(len(car)), np.zeros(len(car), np.uint8), rows,
                      np.arange(len(car) + 1), 2.0, STEP, 0.02, None)  # fmt: skip
    return clean, Features(tuple(planes), (), (), NOISE, STEP)


CLEAN, FEATURES = plates()
POINTS = MountPoints((hole("h-L", (40.0, 230.0, 50.0)),), ())


def looked(**asked):
    settings = FlatsSettings(**asked)
    return flats(CLEAN, FEATURES, datum(), POINTS, settings), settings


def test_a_level_plate_by_hand():
    (one,) = looked(at=(100.0, 260.0, 50.0), reach_mm=30.0)[0].flats
    assert one.area_cm2 == pytest.approx(193.2 - 7.07, abs=2.0) and one.flat_mm == pytest.approx(0, abs=1e-9)
    assert one.tilt_deg.value == pytest.approx(0, abs=1e-6) and one.away_mm == pytest.approx(0, abs=1e-9)
    # 60 mm to the edges across, 60 along; the hole's rim is sqrt(60^2 + 30^2) - 15 = 52.1 mm off
    assert one.edge_mm == pytest.approx(52.1, abs=2.0)
    assert one.disc_mm > 2 * 52 and 100 < one.disc[0] < 110


def test_tilt_and_its_U():
    (one,) = looked(at=(80.0, 460.0, 55.0), reach_mm=30.0)[0].flats
    assert one.tilt_deg.value == pytest.approx(TILT)
    # about x: the face's own turn and the datum's roll, 1e-4 rad each
    assert one.tilt_deg.U == pytest.approx(2 * np.degrees(np.hypot(1e-4, 1e-4)), rel=1e-3)


def test_nearest_first_and_what_is_less_flat_is_told():
    found, settings = looked(at=(100.0, 330.0, 50.0), reach_mm=300.0)
    assert [round(f.away_mm) for f in found.flats] == [10, 70] and "1 more faces" in found.notes[0].text
    files = flats_files(found, "x", datum(), settings).files
    sheet = " ".join(files["export/flats-x.txt"].decode().split())
    assert "at least 120 cm2" in sheet and "check your current book" in sheet and "no strength check" in sheet
    assert len([r for r in files["export/flats-x.csv"].decode().splitlines() if not r.startswith("#")]) == 3


def test_the_middle_of_a_hole_is_no_flat_there():
    found, _ = looked(near="h-L")
    assert found.flats[0].edge_mm == 0.0 and found.flats[0].away_mm == pytest.approx(15, abs=1.0)


@pytest.mark.parametrize(
    ("asked", "error", "words"),
    [
        ({}, UsageError, "takes either --near NAME or --at X,Y,Z"),
        ({"near": "h-R"}, UsageError, "no point is named 'h-R'; did you mean h-L?"),
        ({"at": (100.0, 260.0, 50.0), "reach_mm": 30.0, "area_cm2": 400.0}, DataError, "the largest there has 188 cm2"),
        ({"at": (0.0, -900.0, 0.0)}, DataError, "no flat face was found within 150 mm"),
    ],
)
def test_where_there_is_none(asked, error, words):
    with pytest.raises(error) as told:
        looked(**asked)
    assert words in str(told.value)
