"""Empty places of a flat face: what is missing from a scan, what is truly open, and what another part covers."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from barerail.geometry.gaps import Gap, gaps_in
from barerail.geometry.neighbours import blocks_of
from barerail.geometry.skins import Face, Shell
from barerail.records import Array

STEP = 3.0
UP = np.array([0.0, 0.0, 1.0])


def grid(a: tuple[float, float], b: tuple[float, float]) -> Array:
    return np.stack(np.meshgrid(np.arange(*a, STEP), np.arange(*b, STEP)), axis=-1).reshape(-1, 2)


def block(high: float = 60.0) -> tuple[Array, Array]:
    """Top and both long sides of a box 600 by 90 mm: points (n, 3), normals."""
    top = np.insert(grid((0, 600.1), (0, 90.1)), 2, 0.0, axis=1)
    side = grid((0, 600.1), (-high, -2.9))
    flanks = [np.column_stack([side[:, 0], np.full(len(side), y), side[:, 1]]) for y in (0.0, 90.0)]
    normals = [np.tile(n, (len(p), 1)) for n, p in ((UP, top), ([0, -1.0, 0], side), ([0, 1.0, 0], side))]
    return np.vstack([top, *flanks]), np.vstack(normals)


def ring(radius: float, low: float, high: float, sign: float) -> tuple[Array, Array]:
    """A round wall about (300, 45): points and normals, inward for sign -1."""
    turn, z = (v.ravel() for v in np.meshgrid(np.arange(0, 2 * np.pi, STEP / radius), np.arange(low, high, 1.5)))
    out = np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    return [300.0, 45.0, 0.0] + radius * out + z[:, None] * UP, sign * out


def gaps(points: Array, normals: Array, least: float = 20.0) -> list[Gap]:
    shell = Shell(points, normals, STEP, cKDTree(points), blocks_of(points))
    members = np.flatnonzero((normals[:, 2] > 0.9) & (np.abs(points[:, 2]) < 0.1))
    return gaps_in(shell, [Face(np.zeros(3), np.eye(3), members)], least)


def without(points: Array, normals: Array, radius: float, at: tuple[float, float, float]) -> tuple[Array, Array]:
    kept = np.linalg.norm(points - at, axis=1) > radius
    return points[kept], normals[kept]


@pytest.mark.parametrize(("at", "area"), [((300, 45, 0), np.pi * 900), ((300, 12, 0), 2100)])
def test_a_patch_that_was_not_scanned_has_a_bare_rim(at: tuple[float, float, float], area: float) -> None:
    """In the middle of a face, and over its edge, where the side is missing too: a disc, less a segment 18 mm high."""
    (gap,) = gaps(*without(*block(), 30.0, at))
    assert gap.bare > 0.75 and gap.wide == pytest.approx(60, abs=2 * STEP)
    assert gap.cells.mean(axis=0)[:2] == pytest.approx([300, 45 if at[1] == 45 else 16], abs=6)
    assert gap.area_mm2 == pytest.approx(area, rel=0.15)


def test_a_patch_across_the_whole_face_is_bridged() -> None:
    points, normals = block()
    kept = np.abs(points[:, 0] - 300) > 50
    (gap,) = gaps(points[kept], normals[kept])
    assert gap.bare > 0.75 and gap.cells.mean(axis=0)[:2] == pytest.approx([300, 45], abs=6)


def test_an_opening_shows_its_wall_and_a_part_climbs() -> None:
    cut = without(*block(), 30.0, (300, 45, 0))
    for low, high, sign in ((-3.0, 0.1, -1.0), (0.0, 40.0, 1.0)):
        wall = ring(30.0, low, high, sign)
        (gap,) = gaps(*(np.vstack(both) for both in zip(cut, wall)))
        assert gap.bare < 0.1


def test_the_other_face_of_a_sheet_is_no_wall() -> None:
    points, normals = without(*block(), 30.0, (300, 45, 0))
    back = np.insert(grid((3, 597), (3, 87)), 2, -3.0, axis=1)
    (gap,) = gaps(np.vstack([points, back]), np.vstack([normals, np.tile(-UP, (len(back), 1))]))
    assert gap.bare > 0.75


def test_a_whole_face_and_the_end_of_a_scan_hold_no_gap() -> None:
    points, normals = block()
    assert gaps(points, normals) == []
    half = points[:, 0] < 300
    assert gaps(points[half], normals[half]) == []
