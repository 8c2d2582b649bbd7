"""Bays as a tape reads them, and where along the car the twist sits."""

from dataclasses import replace

import numpy as np
import pytest
from datum_case import KICKED, features_of, some_pose, straight, twisted
from straightness_case import HIGH, KNOWN, LOW, QUIET, car, shaken

from barerail.records import (
    Array,
    MountPoint,
    MountPoints,
    Pair,
)
from barerail.stages.straightness import straightness
from barerail.stages.straightness.bays import bays


def named(x: float, y: float, dx: float = 0.0, z: float = 0.0) -> MountPoint:
    name = f"p{x:.0f}{'-L' if y > 0 else '-R'}"
    small, none = 1e-4 * np.eye(3), float("nan")
    return MountPoint(
        name, "hole", name[-1], "", np.array([x + dx, y, z]), np.array([0, 0, 1.0]), 10.0, none, small, small,
        small, np.zeros((3, 6)), 0.01, none, 360.0, 100, 0.1, "measured", "", "up",
    )  # fmt: skip


def paired(points: list[MountPoint]) -> MountPoints:
    lefts, rights = points[::2], points[1::2]
    pairs = tuple(Pair(a.name, b.name, np.zeros(3), np.eye(3)) for a, b in zip(lefts, rights))
    return MountPoints(tuple(points), pairs)


def test_bays_read_as_a_tape_does() -> None:
    """A skewed rectangle L = 2500, W = 800 with D = 3 mm: rail shift 1.57 mm; D = 6: 3.15 mm (trade geometry, derived
    from the rectangle's diagonals; from memory as to who teaches it)."""
    for ahead, difference in ((1.575, 3.0), (3.15, 6.0)):
        points = [named(0, 400, ahead / 2), named(0, -400, -ahead / 2), named(2500, 400, ahead / 2),
                  named(2500, -400, -ahead / 2)]  # fmt: skip
        (bay,) = bays(paired(points), QUIET)
        assert bay.difference_mm == pytest.approx(difference, abs=0.01)
        assert bay.ahead_mm == pytest.approx(ahead, abs=0.01)
        assert [r.length_mm for r in bay.readings[:2]] == pytest.approx([2500, 2500])


def test_a_pure_twist_leaves_the_diagonals_of_a_bay_equal() -> None:
    """A cross-check with a tape cannot see twist (trade geometry: both diagonals change alike)."""
    points = [named(0, 400, z=2), named(0, -400, z=-2), named(2500, 400, z=-2), named(2500, -400, z=2)]
    (bay,) = bays(paired(points), QUIET)
    assert bay.difference_mm == pytest.approx(0, abs=1e-9)
    assert bay.readings[4].length_mm == pytest.approx(bay.readings[5].length_mm, abs=1e-9)


def test_where_the_twist_sits() -> None:
    """All of it between x = 400 and 700, or spread over the whole length, or none."""

    def broken(p: Array) -> Array:
        turn = np.radians(0.3) * np.clip((p[:, 0] - 400) / 300, 0, 1)
        y, z = p[:, 1], p[:, 2] - 50.0
        turned = [np.cos(turn) * y - np.sin(turn) * z, np.sin(turn) * y + np.cos(turn) * z + 50.0]
        return np.column_stack([p[:, 0], *turned])

    rng = np.random.default_rng(4)
    features = replace(features_of(KICKED, broken, some_pose(1)), noise=QUIET)
    s = straightness(shaken(features, rng, np.zeros(2), 0.05), car(), KNOWN)
    assert s.sits_mm is not None and s.sits_mm[0] == pytest.approx(400, abs=160)
    assert s.sits_mm[1] == pytest.approx(700, abs=160)
    even = replace(features_of(KICKED, twisted(0.3, LOW, HIGH), some_pose(1)), noise=QUIET)
    whole = straightness(shaken(even, rng, np.zeros(2), 0.05), car(), KNOWN)
    assert whole.sits_mm == (whole.from_x_mm, whole.to_x_mm)
    none = straightness(shaken(features_of(KICKED, straight, some_pose(1)), rng, np.zeros(2), 0.05), car(), KNOWN)
    assert none.sits_mm is None
