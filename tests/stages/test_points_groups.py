"""Hole patterns: found whole, measured with U, named, compared left to right, never made up."""

from dataclasses import replace

import numpy as np
import pytest
from points_case import FORE, UP, a_datum, chassis, feature, mirrored, row, scanned, shaken

from barerail.outputs.groups import groups_csv, groups_words
from barerail.records import Group, MountPoints, NoiseModel
from barerail.settings import PointsSettings
from barerail.stages.points import points


def run(found) -> MountPoints:
    return points(scanned(found), a_datum(), (), PointsSettings())


def grid(columns: int, rows: int, pitch=(80.0, 80.0), middle=(1200.0, 400.0, 200.0), turn=0.0) -> list:
    """Holes facing up on a grid, turned by `turn` rad."""
    a, b = np.meshgrid(np.arange(columns) - (columns - 1) / 2, np.arange(rows) - (rows - 1) / 2)
    z = (a * pitch[0] + 1j * b * pitch[1]).ravel() * np.exp(1j * turn)
    return [feature("hole", np.add(middle, [p.real, p.imag, 0]), UP, 11) for p in z]


def ring(count: int, radius=50.0, middle=(300.0, 300.0, 400.0)) -> list:
    turns = 0.3 + 2 * np.pi * np.arange(count) / count
    return [feature("hole", np.add(middle, [0, radius * np.cos(t), radius * np.sin(t)]), FORE, 9) for t in turns]


def shapes(made: MountPoints) -> list[tuple[str, int]]:
    return [(g.shape, len(g.holes)) for g in made.groups]


def of(made: MountPoints, name: str) -> Group:
    return next(g for g in made.groups if g.name == name)


@pytest.mark.parametrize("count", [3, 5, 6, 8, 12])
def test_a_bolt_circle_is_one_pattern_of_its_diameter(count):
    made = run(shaken(ring(count), 0.05, count))
    assert shapes(made) == [("bolt-circle", count)]
    assert made.groups[0].circle == pytest.approx(100.0, rel=0, abs=0.15)
    assert np.isnan(made.groups[0].pitch).all()


@pytest.mark.parametrize("turn", [0.0, 0.3, 1.2, -2.0])
def test_squares_rectangles_grids_and_rows_in_any_direction(turn):
    for size, pitch, shape in (
        ((2, 2), (80, 80), "square"),
        ((2, 2), (120, 60), "rectangle"),
        ((3, 2), (60, 40), "grid"),
        ((4, 1), (25, 25), "row"),
    ):
        made = run(shaken(grid(*size, pitch, turn=turn), 0.05, 1))
        assert shapes(made) == [(shape, size[0] * size[1])]
        g = made.groups[0]
        expected = pitch if size[1] > 1 else (25, np.nan)
        assert np.allclose(sorted(g.pitch), sorted(expected), rtol=0, atol=0.2, equal_nan=True)
        assert np.linalg.norm(g.off, axis=1).max() < 0.3
        # by hand: 80 sqrt 2
        assert not shape == "square" or g.circle == pytest.approx(113.137, rel=0, abs=0.2)


def test_one_hole_off_its_place_is_named_with_how_far_and_a_lean_is_measured():
    holes = grid(3, 2, (60, 40))
    holes[0] = replace(holes[0], point=np.add(holes[0].point, [0, 1.2, 0]))
    g = run(holes).groups[0]
    worst = g.holes[int(np.argmax(np.linalg.norm(g.off, axis=1)))]
    off = next(p for p in run(holes).points if p.name == worst)
    assert off.feature == 0 and off.group == g.name
    lean = np.radians(0.5)
    sheared = [replace(f, point=np.add(f.point, [np.tan(lean) * (f.point[1] - 400), 0, 0])) for f in grid(2, 2)]
    assert run(sheared).groups[0].lean_deg == pytest.approx(0.5, rel=0, abs=1e-3)


def test_u_is_what_repeated_scans_spread():
    """Two-sided: 120 scans of holes whose covariance is known, no drift."""
    quiet = NoiseModel(0.1, 0.05, 25.0, drift_mm=0.0, drift_mm_per_m=0.0)
    found = [replace(f, cov=0.1**2 * np.eye(3)) for f in [*grid(2, 2), *ring(6), *row(5)]]
    got = []
    for seed in range(120):
        features = replace(scanned(shaken(found, 0.1, seed)), noise=quiet)
        got.append({g.shape: g for g in points(features, a_datum(), (), PointsSettings()).groups})
    for shape, value, u in (
        ("square", lambda g: g.pitch[0] + g.pitch[1], lambda g: np.hypot(*g.u_pitch)),
        ("bolt-circle", lambda g: g.circle, lambda g: g.u_circle),
        ("row", lambda g: g.pitch[0], lambda g: g.u_pitch[0]),
    ):
        ratio = np.std([value(g[shape]) for g in got]) / u(got[0][shape])
        assert 0.8 < ratio < 1.2, shape
    spread = np.sqrt(np.mean([g["square"].lean_deg ** 2 for g in got]))
    assert 0.8 < spread / got[0]["square"].u_lean_deg < 1.2


def test_left_and_right_are_partners_and_their_centres_and_sizes_compared():
    left = [*grid(2, 2), *ring(5)]
    right = [mirrored(f) for f in left]
    right[:4] = [replace(f, point=np.add(f.point, [0.5, -0.8, 0.3])) for f in right[:4]]
    made = run([*left, *right])
    one, other = of(made, "square-f12-up-L"), of(made, "square-f12-up-R")
    assert (one.partner, other.partner) == (other.name, one.name)
    assert np.allclose(one.difference, [0.5, 0.8, 0.3], rtol=0, atol=1e-6)
    assert {g.name for g in made.groups if g.shape == "bolt-circle"} == {
        "bolt-circle-f03-fore-L",
        "bolt-circle-f03-fore-R",
    }
    assert "square-f12-up-L" in groups_words(made) and groups_csv(made, a_datum()).count(b"\nsquare-f12-up-R") == 4


def test_rows_whose_ends_are_hidden_on_opposite_sides_are_no_partners():
    holes = row(6)
    made = run([*holes[:5], *map(mirrored, holes[1:])])
    assert shapes(made) == [("row", 5), ("row", 5)] and not any(g.partner for g in made.groups)


def test_a_hidden_corner_other_sizes_other_faces_and_scattered_holes_make_no_pattern():
    assert not run(grid(2, 2)[:3]).groups
    mixed = grid(2, 2)
    mixed[0] = replace(mixed[0], diameter=14.0)
    assert not run(mixed).groups
    assert not run(
        [replace(f, point=np.add(f.point, [0, 0, 10.0 * (i == 0)])) for i, f in enumerate(grid(2, 2))]
    ).groups
    assert not run(chassis()).groups
    rng = np.random.default_rng(3)
    made = run([feature("hole", (*rng.uniform(0, 400, 2), 100), UP, 11) for _ in range(12)])
    assert len(made.groups) <= 1, "three of a dozen may stand in line by chance"


def test_names_of_patterns_last_through_a_rescan_and_what_appears_elsewhere():
    found = [*grid(2, 2), *map(mirrored, grid(2, 2)), *ring(6)]
    before = [g.name for g in run(found).groups]
    after = run([*shaken(found, 0.2, 5), *ring(5, 60, (-900, 0, 300))])
    assert set(before) <= {g.name for g in after.groups}
