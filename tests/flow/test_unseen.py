"""Faces of rails that no scan saw are told by side, face and stretch."""

from dataclasses import replace

import numpy as np
import outputs_case as case

from barerail.outputs.unseen import unseen_faces
from barerail.records import Rail, Station


def station(x: float, y: float, seen: tuple[bool, bool, bool, bool]) -> Station:
    axes = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1]])
    return Station(np.array([x, y, 50.0]), axes, (60.0, 100.0), np.eye(5), seen, 100, 0.1)


def test_a_stretch_of_a_missing_face_is_told_once() -> None:
    datum = replace(case.datum(), car_from_scan=np.eye(4))
    all_seen, no_right_side = (True, True, True, True), (True, False, True, True)
    left = [station(x, 400, no_right_side if 100 <= x <= 300 else all_seen) for x in range(0, 600, 100)]
    right = [station(x, -400, no_right_side if x == 200 else all_seen) for x in range(0, 600, 100)]
    features = replace(case.features(), rails=(Rail("box", tuple(left)), Rail("box", tuple(right))))
    assert unseen_faces(features, datum) == ["the inner face of the left rail from x = 100 to 300 mm"]
    open_side = replace(features, rails=(Rail("channel", tuple(left)),))
    assert unseen_faces(open_side, datum) == []
