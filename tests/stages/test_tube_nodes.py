"""Nodes of tubes: by hand geometry on ideal lines, and on a stretch of a simulated space frame with a hoop."""

from dataclasses import replace

import numpy as np
import pytest
from tube_case import tube

from barerail.errors import DataError
from barerail.geometry.line import closest
from barerail.records import BentTube, Features, TubeBend
from barerail.scene import SceneCase, Simulated, make
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit
from barerail.stages.fit.nodes import tube_nodes

X, Y, Z = np.eye(3)
CASE = SceneCase("tube", seed=101, small=True, spacing_mm=2.6, clutter=0, patches=0, hoop=True, window_mm=(-560, -330))


def lean(deg: float) -> np.ndarray:
    return np.cos(np.radians(deg)) * X + np.sin(np.radians(deg)) * Y


def test_lines_pass_each_other_where_hand_geometry_says() -> None:
    assert closest([1.0, 2, 3], X, [7.0, -4, 5], Y) == pytest.approx((6.0, 6.0))
    with pytest.raises(DataError, match="parallel"):
        closest([0.0, 0, 0], X, [0.0, 5, 0], -X)


def test_a_node_of_two_square_tubes_by_hand() -> None:
    """Each line gives what lies square to it: x is the second tube's, y the first's, z the mean of both."""
    a, b = tube([0, 3, 0], X, sd=0.03), tube([50, 0, 8], Y, d=30.0, length=300.0, sd=0.04)
    (node,) = tube_nodes([b, a], ())
    assert node.kind == "tube-node" and node.members == (1, 0) and not node.axis.any() and node.n == 2000
    assert node.point == pytest.approx([50, 3, 4]) and node.detail["gap_mm"] == pytest.approx(8.0)
    assert np.diag(node.cov) == pytest.approx([0.04**2, 0.03**2, (0.03**2 + 0.04**2) / 4], rel=1e-4)
    assert node.detail["u_gap_mm"] == pytest.approx(0.05, rel=1e-4) and node.detail["angle_deg"] == pytest.approx(90.0)


def test_an_axis_known_badly_tells_far_from_the_middle() -> None:
    """A line that may turn by 1 mrad about its middle is off by 0.15 mm at 150 mm from it."""
    (node,) = tube_nodes([tube([0, 0, 0], X, length=320.0, sd=1e-4, turn=1e-3), tube([150, 0, 0], Y, sd=1e-4)], ())
    assert np.sqrt(np.diag(node.cov)) == pytest.approx([1e-4, 0.15, 0.075], rel=1e-2)


def test_nearly_parallel_tubes_give_a_large_u_along() -> None:
    """Two lines at +-h that may lie off by s each meet at s / (sqrt 2 sin h) along and s / (sqrt 2 cos h) across."""
    (node,) = tube_nodes([tube([0, 0, 0], lean(7.5)), tube([0, 0, 0], lean(-7.5))], ())
    along, across = 0.02 / np.sqrt(2) / np.sin(np.radians(7.5)), 0.02 / np.sqrt(2) / np.cos(np.radians(7.5))
    assert np.sqrt(np.diag(node.cov))[:2] == pytest.approx([along, across], rel=1e-3)
    assert not tube_nodes([tube([0, 0, 0], lean(4.5)), tube([0, 0, 0], lean(-4.5))], ())


@pytest.mark.parametrize(
    ("other", "nodes"),
    [
        (tube([0, 0, 36], Y, d=30.0), 1),  # 1 mm between the surfaces
        (tube([0, 0, 45], Y, d=30.0), 0),  # 10 mm between them
        (tube([0, 175, 0], Y, length=300.0), 1),  # ends 5 mm short of the first one's surface
        (tube([0, 230, 0], Y, length=300.0), 0),  # ends 60 mm short of it
        (tube([0, 0, 0], X, length=100.0), 0),  # a piece of the same tube
        (tube([0, 0, 0], Y, length=110.0), 0),  # so short that it may be a sleeve
        (replace(tube([0, 0, 0], Y), kind="sleeve"), 0),
        (replace(tube([0, 0, 0], Y), kind="stud"), 0),
    ],
)
def test_nodes_are_where_two_tubes_touch(other, nodes) -> None:
    assert len(tube_nodes([tube([0, 0, 0], X), other], ())) == nodes


def test_pieces_of_one_bent_tube_have_no_node_and_three_tubes_have_one_a_pair() -> None:
    found = [tube([0, 0, 0], X), tube([0, 0, 0], Y), tube([0, 0, 0], Z)]
    assert sorted(n.members for n in tube_nodes(found, ())) == [(0, 1), (0, 2), (1, 2)]
    one = BentTube((0, 2), (), np.zeros((2, 3)))
    assert sorted(n.members for n in tube_nodes(found, (one,))) == [(0, 1), (1, 2)]


@pytest.mark.parametrize(("height", "nodes"), [(-200.0, 1), (40.0, 0), (15.0, 0)])
def test_no_node_where_the_straight_axis_runs_on_beside_a_bend(height: float, nodes: int) -> None:
    """A 38 mm leg up to (114, 0, 0) that turns there about the origin with 114 mm; a brace across it at a height."""
    leg, other = tube([114, -200, 0], Y, d=38.0, length=400.0), tube([-200, 114, 0], X, d=38.0, length=400.0)
    turn = np.linspace(0, np.pi / 2, 31)
    arc = 114 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(31)])
    bent = BentTube((0, 1), (TubeBend((0, 1), 114.0, 0.2, 90.0, arc, 500, 0.1),), arc)
    found = [leg, other, tube([200, height, 0], X, d=30.0, length=300.0)]
    assert sum(0 in n.members for n in tube_nodes(found, (bent,))) == nodes


@pytest.fixture(scope="module")
def scene() -> Simulated:
    return make(CASE)


@pytest.fixture(scope="module")
def found(scene: Simulated) -> Features:
    return fit(clean(scene.scan, CleanSettings()), FitSettings())


def test_a_scene_has_its_nodes_within_their_u(scene: Simulated, found: Features) -> None:
    """The truth is the design's: where its centrelines meet, as the scan shows the place; drift
    bends a tube on its way there. Those that only pass have the hoop's legs in them."""
    true = np.array([n["p"] for n in scene.truth["nodes"]])
    nodes = [f for f in found.found if f.kind == "tube-node" and f.detail["gap_mm"] < 1.0]
    off = np.array([f.point - true[np.argmin(np.linalg.norm(true - f.point, axis=1))] for f in nodes])
    score = off / np.array([np.sqrt(np.diag(f.cov) + 0.08**2) for f in nodes])
    assert len(nodes) >= 25 and np.abs(off).max() < 0.5 and (np.abs(score) < 2).mean() > 0.9
    hoop = set(found.bent[0].tubes)
    assert all(hoop & set(f.members) for f in found.found if f.kind == "tube-node" and f.detail["gap_mm"] > 1.0)


def test_the_hoop_is_one_tube_with_two_bends(scene: Simulated, found: Features) -> None:
    bends = [f for f in scene.truth["features"] if f["kind"] == "bend"]
    (hoop,) = found.bent
    assert len(hoop.tubes) == 3 and len(hoop.bends) == len(bends) == 2
    for bend in hoop.bends:
        (true,) = [b for b in bends if np.linalg.norm(np.mean(b["path"], axis=0) - bend.arc.mean(axis=0)) < 5.0]
        assert abs(bend.radius - true["radius"]) < 3 * bend.u_radius < 2.0
        assert bend.angle_deg == pytest.approx(true["angle"], abs=0.2)
        steps = np.linspace(0, 1, len(true["path"]))
        line = np.array([np.interp(np.linspace(0, 1, 9000), steps, v) for v in np.transpose(true["path"])]).T
        assert max(np.linalg.norm(line - p, axis=1).min() for p in bend.arc[1:-1]) < 0.3
