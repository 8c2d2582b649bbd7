"""Nodes of one joint: one row for the eye, all of them in the files."""

from dataclasses import replace

import numpy as np
import pytest
from outputs_case import datum, point

from barerail.outputs.joints import at_joints
from barerail.outputs.table import points_csv
from barerail.records import MountPoints, Pair


def node(name: str, at: tuple[float, float, float]):
    return point(name, "tube-node", at, (0.0, 0, 0), diameter=np.nan, u_diameter=np.nan, note="of a and b")


@pytest.fixture
def joint() -> MountPoints:
    """Four nodes a side within 0.3 mm, one of them named by the user, one further off; a hole among them."""
    left = [node(f"tube-node-f01{k}-L", (100.0 + 0.1 * i, 300.0, 50.0)) for i, k in enumerate(("", "-2", "-3"))]
    left += [node("my-joint-L", (100.3, 300.0, 50.0)), node("tube-node-f02-L", (112.0, 300.0, 50.0))]
    right = [replace(p, name=f"{p.name[:-2]}-R", side="R", position=p.position * [1, -1, 1]) for p in left]
    hole = point("hole-f01-L", "hole", (100.0, 300.0, 50.0), (0.0, 0, 1))
    off = [0.05, 0.05, 0.9, 0.05, 0.05]
    pairs = tuple(Pair(a.name, b.name, np.array([d, 0, 0]), 0.01 * np.eye(3)) for a, b, d in zip(left, right, off))
    return MountPoints((*left, *right, hole), pairs)


def test_the_first_node_of_a_joint_stands_for_those_that_nobody_named(joint: MountPoints) -> None:
    seen = at_joints(joint)
    own = ["tube-node-f01", "my-joint", "tube-node-f02"]
    assert [p.name for p in seen.points] == [*(f"{n}-L" for n in own), *(f"{n}-R" for n in own), "hole-f01-L"]
    assert seen.points[0].note == "one of 3 nodes of this joint, the others within 0.2 mm: in points.csv; of a and b"
    assert seen.points[1].note == "of a and b" and seen.points[2].note == "of a and b"


def test_a_hidden_node_s_pair_stays_where_it_differs_by_more_than_u(joint: MountPoints) -> None:
    shown = [p.left for p in at_joints(joint).pairs]
    assert shown == ["tube-node-f01-L", "tube-node-f01-3-L", "my-joint-L", "tube-node-f02-L"]


def test_files_hold_every_node(joint: MountPoints) -> None:
    assert points_csv(joint, datum()).decode().count(",tube-node,") == 10
