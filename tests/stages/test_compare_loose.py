"""Shifts of points that one direction hardly holds: it may not hide what moved in the others, nor make it up."""

from dataclasses import replace

import numpy as np
import pytest
from compare_case import QUIET, car
from datum_case import KICKED, features_of, some_pose, straight

from barerail.asked import CompareSettings
from barerail.records import Array, MountPoint, Shift, Unmoved
from barerail.settings import PointsSettings
from barerail.stages.compare.budget import PoseBudget
from barerail.stages.compare.shifts import shifts
from barerail.stages.points import points

PLACES = np.random.default_rng(1).uniform((-1500, -500, 0), (1500, 500, 300), (60, 3))
GRIP = np.tile(np.eye(3), (len(PLACES), 1, 1))
HELD = Unmoved(np.eye(4), PLACES.mean(axis=0), np.diag([1e-4] * 3 + [1e-10] * 3), PLACES, GRIP, 0.9, 0.0, 0.0, "found")


def hole(axis: Array, loose: Array, kind: str = "hole") -> MountPoint:
    """A point with u = 0.1 mm, and 3 mm along the rows of loose (n, 3)."""
    pose = some_pose(3)
    made = next(p for p in points(features_of(KICKED, straight, pose), car(pose), (), PointsSettings()).points
                if p.kind == "hole")  # fmt: skip
    return replace(made, kind=kind, axis=axis, cov_local=0.01 * np.eye(3) + 9.0 * loose.T @ loose)


def shifted(p: MountPoint, d: Array, asked: CompareSettings) -> Shift:
    budget = PoseBudget.of(HELD, car(np.eye(4)), replace(QUIET, drift_mm_per_m=0.0), QUIET)
    (out,) = shifts([p], [replace(p, position=p.position + d)], [(0, 0)], budget, p.position[None], asked)
    return out


def test_a_loose_direction_does_not_hide_what_moved_in_the_others() -> None:
    axis = np.array([1.0, 0.0, 0.0])
    d = np.array([4.0, -1.2, 0.1])
    told = shifted(hole(axis, axis[None]), d, CompareSettings(limit_mm=0.5))
    assert told.found == "moved" and told.verdict == "outside" and told.shift == pytest.approx(d)
    assert told.size_mm == pytest.approx(1.2, abs=0.05) and 0.28 < told.U_mm < 0.4 and "inboard" in told.words
    assert shifted(hole(axis, axis[None]), d, CompareSettings(limit_mm=1.6)).verdict == "not proven"


def test_what_is_told_is_the_whole_shift_where_no_direction_is_loose() -> None:
    told = shifted(hole(np.array([1.0, 0, 0]), np.zeros((0, 3))), np.array([0.1, -1.2, 0.1]), CompareSettings())
    assert told.found == "moved" and told.size_mm == pytest.approx(np.sqrt(1.46))


def test_nothing_but_the_loose_direction_moved() -> None:
    axis = np.array([0.6, 0.0, 0.8])
    told = shifted(hole(axis, axis[None]), 5.0 * axis, CompareSettings(limit_mm=1.0))
    assert told.found == "no movement above U" and told.verdict == "not proven"


def test_a_face_s_outline_ends_where_the_scan_does_so_only_its_plane_can_have_moved() -> None:
    up = np.array([0.0, 0.0, 1.0])
    flat = hole(up, np.eye(3)[:2], "face")
    still = shifted(flat, np.array([5.0, -24.0, 0.05]), CompareSettings())
    assert still.found == "no movement above U" and still.shift == pytest.approx([0, 0, 0.05])
    lifted = shifted(flat, np.array([5.0, -24.0, 1.0]), CompareSettings())
    assert lifted.found == "moved" and lifted.words.endswith("mm up")


@pytest.mark.parametrize("x", [4.0, 6.0, 8.4, 8.7, 12.0])
def test_what_is_proven_across_stays_proven_however_far_the_loose_direction_is_off(x: float) -> None:
    axis = np.array([1.0, 0.0, 0.0])
    told = shifted(hole(axis, axis[None]), np.array([x, -1.2, 0.1]), CompareSettings(limit_mm=0.5))
    assert told.found == "moved" and told.verdict == "outside"


def test_words_give_the_size_that_the_row_gives_with_its_u_where_the_loose_direction_is_askew() -> None:
    askew, way = np.ones(3) / np.sqrt(3), np.array([1.0, -1.0, 0.0]) / np.sqrt(2)
    told = shifted(hole(askew, askew[None]), 5.0 * askew + 1.2 * way, CompareSettings())
    assert told.told == pytest.approx(1.2 * way, abs=1e-3)
    assert told.words.endswith(": 1.2 ± 0.3 mm, askew to the axes")


def test_a_tilted_face_that_moved_has_the_u_of_its_plane_in_every_direction() -> None:
    normal = np.array([0.0, 1.0, 1.0]) / np.sqrt(2)
    side = np.array([[1.0, 0, 0], [0, 1 / np.sqrt(2), -1 / np.sqrt(2)]])
    told = shifted(hole(normal, side, "face"), normal, CompareSettings())
    assert told.found == "moved" and np.sqrt(np.diag(told.cov)).max() < 0.2 and "askew" not in told.words


def test_a_face_whose_outline_came_out_aside_takes_its_tilt_along() -> None:
    up = np.array([0.0, 0.0, 1.0])
    flat = replace(hole(up, np.eye(3)[:2], "face"), cov_axis=0.008**2 * np.diag([1.0, 1.0, 0.0]))
    told = shifted(flat, np.array([0.0, 24.0, 0.4]), CompareSettings())
    assert told.found == "no movement above U" and told.U_mm == pytest.approx(2 * np.sqrt(2) * 24 * 0.008, rel=0.2)


def test_a_job_against_itself_proves_its_faces_within_a_limit() -> None:
    flat = hole(np.array([0.0, 0.0, 1.0]), np.eye(3)[:2], "face")
    assert shifted(flat, np.zeros(3), CompareSettings(limit_mm=1.0)).verdict == "within"


def test_words_leave_out_what_rounds_to_nothing() -> None:
    """A face hardly out of level: its shift along the normal has 0.01 mm aside, with a U as small."""
    normal = np.array([0.01, 0.01, 1.0]) / np.linalg.norm([0.01, 0.01, 1.0])
    told = shifted(hole(normal, np.linalg.svd(normal[None])[2][1:], "face"), -1.2 * normal, CompareSettings())
    assert told.found == "moved" and told.words.split(": ")[1].count("mm") == 1 and told.words.endswith("mm down")
