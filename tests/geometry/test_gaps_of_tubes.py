"""Empty places of a round tube: what is missing from a scan, over the seam and all round, and what a node covers."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from barerail.geometry.frames import basis, rigid, transform
from barerail.geometry.gaps import Gap, gaps_in
from barerail.geometry.neighbours import blocks_of
from barerail.geometry.skins import Shell, Tube
from barerail.records import Array

STEP, RADIUS, LONG = 3.0, 25.0, 600.0
POSE = rigid(basis([0.3, -0.8, 0.5]), [200.0, -90.0, 400.0])


def cylinder(radius: float = RADIUS, low: float = 0.0, high: float = LONG) -> tuple[Array, Array]:
    """A tube along x: points (n, 3) and normals."""
    x, turn = (v.ravel() for v in np.meshgrid(np.arange(low, high, STEP), np.arange(-np.pi, np.pi, STEP / radius)))
    out = np.column_stack([0 * turn, np.cos(turn), np.sin(turn)])
    return np.column_stack([x, np.zeros((len(x), 2))]) + radius * out, out


def gaps(points: Array, normals: Array, bow: float = 0.0) -> list[Gap]:
    """Of the tube in another pose, with its middle `bow` mm off the line through its ends."""
    bent = points + np.outer(bow * np.sin(np.pi * points[:, 0] / LONG), [0.0, 1, 0])
    at, turned = transform(POSE, bent), normals @ POSE[:3, :3].T
    x = np.linspace(0, LONG, 13)
    path = np.column_stack([x, bow * np.sin(np.pi * x / LONG), 0 * x])
    shell = Shell(at, turned, STEP, cKDTree(at), blocks_of(at))
    return gaps_in(shell, [Tube(transform(POSE, path), RADIUS)], 30.0)


def turn_of(points: Array) -> Array:
    return np.arctan2(points[:, 2], points[:, 1])


@pytest.mark.parametrize("towards", [0.0, 1.3, np.pi])
@pytest.mark.parametrize("bow", [0.0, 8.0])
def test_a_strip_that_was_not_scanned_is_told_with_its_share(towards: float, bow: float) -> None:
    """120 degrees of the round, 200 mm long, wherever the seam of the layout lies; in a bowed tube too."""
    points, normals = cylinder()
    off = np.abs((turn_of(points) - towards + np.pi) % (2 * np.pi) - np.pi)
    kept = (off > np.pi / 3) | (np.abs(points[:, 0] - 300) > 100)
    (gap,) = gaps(points[kept], normals[kept], bow)
    assert gap.bare > 0.9 and gap.share == pytest.approx(1 / 9, rel=0.1)
    assert gap.area_mm2 == pytest.approx(200 * 2 * np.pi * RADIUS / 3, rel=0.1)
    assert gap.wide == pytest.approx(2 * np.pi * RADIUS / 3, abs=2 * STEP)
    middle = [300, bow + RADIUS * np.cos(towards), RADIUS * np.sin(towards)]
    assert gap.middle == pytest.approx(transform(POSE, np.array([middle]))[0], abs=4)
    assert gap.axes[2] @ POSE[:3, :3] == pytest.approx([0, np.cos(towards), np.sin(towards)], abs=0.1)
    axis = transform(POSE, np.array([[0.0, bow, 0.0]]))[0]
    away = np.linalg.norm(np.cross(gap.outline - axis, POSE[:3, 0]), axis=1)
    assert away == pytest.approx(np.full(len(away), RADIUS), abs=max(0.2, bow))


def test_a_piece_missing_all_round_is_counted_once() -> None:
    points, normals = cylinder()
    kept = np.abs(points[:, 0] - 300) > 60
    (gap,) = gaps(points[kept], normals[kept])
    assert gap.bare > 0.9 and gap.share == pytest.approx(0.2, rel=0.06)
    assert np.linalg.norm(gap.normals.mean(axis=0)) < 0.05 and gap.wide == pytest.approx(120, abs=2 * STEP)


def test_a_tube_welded_on_climbs() -> None:
    points, normals = cylinder()
    kept = np.hypot(points[:, 0] - 300, points[:, 1]) > 19
    post, turn = cylinder(19.0, 20.0, 90.0)
    upright = post[:, [1, 2, 0]] + [300.0, 0, 0]
    kept |= points[:, 2] < 0
    (gap,) = gaps(np.vstack([points[kept], upright]), np.vstack([normals[kept], turn[:, [1, 2, 0]]]))
    assert gap.bare < 0.3


def test_a_whole_tube_holds_no_gap() -> None:
    assert gaps(*cylinder()) == []
    assert gaps(*cylinder(), bow=8.0) == []


def test_where_no_tube_is_none_is_missed() -> None:
    assert gaps(*cylinder(low=-900.0, high=-600.0)) == []
