"""Bolt axes of brackets made by hand: 40 mm between tabs 5 mm thick, holes of 12 mm. No source but arithmetic."""

import numpy as np
import pytest

from barerail.records import Feature, Plane
from barerail.stages.fit.brackets import ALIKE_MM, ALONE, LEANING, bolt_axes

FACE = Plane(
    np.array([0.0, 0.0, 900.0]),
    np.eye(3),
    1e-6 * np.eye(3),
    0.1,
    500,
    3600.0,
    (60.0, 60.0),
    np.zeros(0, int),
    np.zeros((0, 3)),
)
OPEN = float("nan")
U = 0.1
TILT = np.radians(0.3)
VOXEL = 2.0


def hole(
    z: float, up: float, thickness: float, aside: float = 0.0, lean: float = 0.0, u: float = U, tilt: float = TILT
) -> Feature:
    """A hole in a face at height z that faces `up`, x off by `aside` mm and its axis by `lean` rad; thickness: of the
    sheet where both faces were seen."""
    axis = up * np.array([np.sin(lean), 0.0, np.cos(lean)])
    point = np.array([aside, 0.0, z])
    ends = np.array([point, point - thickness * axis]) if np.isfinite(thickness) else np.zeros((0, 3))
    return Feature(
        kind="hole",
        point=point,
        axis=axis,
        diameter=12.0,
        length=thickness,
        cov=u**2 * np.eye(3),
        cov_axis=tilt**2 * (np.eye(3) - np.outer(axis, axis)),
        u_diameter=u,
        u_length=u,
        arc_deg=360,
        n=200,
        rms=0.1,
        plane=0,
        ends=ends,
    )


def axis_of(*holes: Feature, mesh: bool = False) -> Feature:
    (found,) = bolt_axes(list(holes), (FACE,), VOXEL if mesh else 0.0)
    assert found.kind == "bolt-axis"
    return found


def test_a_tab_seen_from_outside_alone_is_as_thick_as_the_other_and_says_so():
    bolt = axis_of(hole(20.0, -1.0, 5.0), hole(-25.0, -1.0, OPEN))
    np.testing.assert_allclose(bolt.point, 0.0, atol=1e-9)
    assert bolt.length == pytest.approx(40.0)
    assert np.sqrt(bolt.cov[2, 2]) == pytest.approx(np.sqrt(ALIKE_MM**2 + 3 * U**2) / 2)
    assert "inner face of 1 tab not seen" in bolt.note


def test_a_tab_whose_outer_face_alone_is_missing_is_where_it_is_and_nothing_is_said():
    bolt = axis_of(hole(20.0, -1.0, OPEN), hole(-20.0, 1.0, OPEN))
    np.testing.assert_allclose(bolt.point, 0.0, atol=1e-9)
    assert bolt.length == pytest.approx(40.0) and not bolt.note
    assert np.sqrt(bolt.cov[2, 2]) == pytest.approx(U / np.sqrt(2))


def test_of_a_cloud_the_axis_goes_through_both_holes_whatever_the_tabs_say():
    bolt = axis_of(hole(20.0, -1.0, 5.0, aside=0.5), hole(-20.0, 1.0, 5.0, aside=-0.5))
    assert np.degrees(np.arctan(bolt.axis[0] / bolt.axis[2])) == pytest.approx(np.degrees(np.arctan(1 / 45)))


def test_in_a_mesh_square_tabs_weigh_in_as_the_least_squares_of_both_has_it():
    """Two directions, each with its variance: the weighted mean."""
    u = 0.6
    bolt = axis_of(hole(20.0, -1.0, 5.0, aside=0.5, u=u), hole(-20.0, 1.0, 5.0, aside=-0.5, u=u), mesh=True)
    line, variance = 1 / 45, 2 * u**2 / (45**2 + 1)
    tabs = LEANING**2 + TILT**2 / 2
    mean = line * tabs / (tabs + variance)
    assert abs(bolt.axis[0] / bolt.axis[2]) == pytest.approx(mean, rel=0.01)
    assert np.sqrt(bolt.cov_axis[1, 1]) == pytest.approx(np.sqrt(1 / (1 / tabs + 1 / variance)), rel=0.01)
    np.testing.assert_allclose(bolt.point, 0.0, atol=1e-9)


def test_in_a_mesh_tabs_that_are_bent_do_not():
    lean = np.radians(2.4)
    bolt = axis_of(hole(20.0, -1.0, 5.0, lean=lean), hole(-20.0, 1.0, 5.0, lean=lean), mesh=True)
    away = bolt.axis[0] / bolt.axis[2]
    between = bolt_axes([hole(20.0, -1.0, 5.0, lean=lean), hole(-20.0, 1.0, 5.0, lean=lean)], (FACE,), 0.0)[0]
    assert away == pytest.approx(between.axis[0] / between.axis[2])


def test_in_a_mesh_tabs_that_lean_away_from_each_other_say_less():
    u = 0.6
    square = axis_of(hole(20.0, -1.0, 5.0, u=u), hole(-20.0, 1.0, 5.0, u=u), mesh=True)
    lean = np.radians(3.0)
    toed = axis_of(hole(20.0, -1.0, 5.0, lean=lean, u=u), hole(-20.0, 1.0, 5.0, lean=-lean, u=u), mesh=True)
    assert toed.cov_axis[1, 1] > 1.5 * square.cov_axis[1, 1]


def test_in_a_mesh_the_tab_whose_direction_is_better_known_counts_more():
    u, lean = 3.0, np.radians(0.4)
    tabs = hole(20.0, -1.0, 5.0, lean=lean, u=u), hole(-20.0, 1.0, 5.0, u=u, tilt=2 * TILT)
    bolt = axis_of(*tabs, mesh=True)
    assert np.arctan(abs(bolt.axis[0] / bolt.axis[2])) == pytest.approx(0.8 * lean, rel=0.05)


def test_in_a_mesh_tabs_that_lean_apart_have_each_a_lean_of_its_own_however_well_one_is_known():
    u = 3.0
    tabs = hole(20.0, -1.0, 5.0, lean=np.radians(3.0), u=u), hole(-20.0, 1.0, 5.0, u=u, tilt=3 * TILT)
    bolt = axis_of(*tabs, mesh=True)
    off = np.degrees(np.arctan(abs(bolt.axis[0] / bolt.axis[2])))
    assert 1.2 < off < 2.3 and off < 2.5 * np.degrees(np.sqrt(bolt.cov_axis[1, 1]))


def test_in_a_mesh_what_pushes_both_tabs_out_alike_is_in_the_gap_and_not_in_the_middle():
    """Each inner face proud by 0.6 voxels, a quarter of a voxel of it its own."""
    u = np.hypot(0.1, 0.6 * VOXEL)
    bolt = axis_of(hole(20.0, -1.0, 5.0, u=u), hole(-20.0, 1.0, 5.0, u=u), mesh=True)
    assert bolt.u_length == pytest.approx(2 * u)
    assert np.sqrt(bolt.cov[2, 2]) == pytest.approx(np.hypot(0.1, ALONE * VOXEL) / np.sqrt(2))
    thick = axis_of(hole(20.0, -1.0, 5.0, u=u), hole(-20.0, 1.0, 5.0, u=0.2), mesh=True)
    assert np.sqrt(thick.cov[2, 2]) == pytest.approx(np.hypot(u, 0.2) / 2)


def test_tabs_whose_directions_are_badly_known_are_one_bracket_where_their_holes_say_so():
    """45 mm apart, one tab read 2.3 degrees askew: by that tab alone its partner's hole would lie 1.8 mm off."""
    askew, tilt = np.radians(2.3), np.radians(1.5)
    bolt = axis_of(hole(20.0, -1.0, 5.0, lean=askew, tilt=tilt), hole(-25.0, 1.0, 5.0, aside=1.0, tilt=tilt), mesh=True)
    assert bolt.length == pytest.approx(45.0, abs=0.5)
    sure = hole(20.0, -1.0, 5.0, tilt=1e-4), hole(-25.0, 1.0, 5.0, aside=3.0, tilt=1e-4)
    assert {f.kind for f in bolt_axes(list(sure), (FACE,), VOXEL)} == {"hole"}
