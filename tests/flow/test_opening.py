"""Panels over openings read back: what cutters take, overlap and fasteners by hand, and what is refused."""

import io

import ezdxf
import numpy as np
import pytest
from flat_case import plate
from outputs_case import datum

from barerail.asked import OpeningSettings
from barerail.errors import DataError, UsageError
from barerail.outputs.opening import opening_files

MIDDLE = (-10.0, 30.0)
"""Of the hole at y 260, z 170 on the drawing, whose middle is the plate's, y 270, z 140; left is on the right."""


def made(car=None, **asked):
    clean, features, holes = plate()
    return opening_files(clean, features, car or datum(), holes, "p", OpeningSettings(face="a-L", **asked))


@pytest.fixture(scope="module")
def panel():
    return made(overlap_mm=12.0, pitch_mm=20.0, hole_mm=4.5, land_mm=4.0)


def drawing(written):
    return ezdxf.read(io.StringIO(written.files["export/opening-p.dxf"].decode("cp1252")))


def test_the_panel_is_as_large_as_the_opening_and_both_overlaps(panel):
    # the round 30 mm hole of the plate stands for an opening: 12 mm more all round
    space = drawing(panel).modelspace()
    assert {e.dxftype() for e in space if e.dxf.layer in ("CUT", "REFERENCE")} <= {"LINE", "ARC", "CIRCLE"}
    arcs = list(space.query('ARC[layer=="CUT"]'))
    assert arcs and [a.dxf.radius for a in arcs] == pytest.approx([27.0] * len(arcs), abs=1.5)
    lines = [tuple(e)[:2] for a in space.query('LINE[layer=="CUT"]') for e in (a.dxf.start, a.dxf.end)]
    at = np.array([*lines, *(tuple(p)[:2] for a in arcs for p in a.flattening(0.05))])
    assert np.linalg.norm(at - MIDDLE, axis=1) == pytest.approx(np.full(len(at), 27.0), abs=1.5)


def test_fasteners_stand_in_the_middle_of_the_overlap(panel):
    at = [c.dxf.center for c in drawing(panel).modelspace().query('CIRCLE[layer=="CUT"]')]
    assert len(at) == 6  # 2 pi 21 / 20, rounded up, less the one above the plate's edge
    flat = np.array([(c.x, c.y) for c in at])
    assert np.linalg.norm(flat - MIDDLE, axis=1) == pytest.approx(np.full(6, 21.0), abs=1.0)
    rows = [r for r in panel.files["export/opening-p.csv"].decode().splitlines() if not r.startswith("#")]
    assert len(rows) == 7 and rows[1].split(",")[4] == "4.50" and abs(float(rows[1].split(",")[5]) - 6.0) < 0.6


def test_what_stands_beside_the_face_is_left_out_and_said():
    written = made(overlap_mm=60.0, pitch_mm=20.0)
    assert any("left out" in n.text for n in written.notes)
    sheet = " ".join(written.files["export/opening-p.txt"].decode().split())
    assert "drawn as seen from ahead of the car" in sheet and "no strength check" in sheet


@pytest.mark.parametrize(
    ("asked", "car", "error", "words"),
    [
        ({"area_cm2": 30.0}, None, DataError, "no opening of 30 cm2 in that face; the largest has"),
        ({}, datum(assumed=("front",)), UsageError, "no panel from a guessed datum. UNCONFIRMED"),
    ],
)
def test_what_is_no_panel(asked, car, error, words):
    with pytest.raises(error) as told:
        made(car, **asked)
    assert words in str(told.value)


def test_a_face_must_be_known():
    clean, features, holes = plate()
    with pytest.raises(UsageError, match="no point is named 'z'"):
        opening_files(clean, features, datum(), holes, "p", OpeningSettings(face="z"))
