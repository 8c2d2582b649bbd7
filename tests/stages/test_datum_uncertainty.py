"""The datum's covariance and influence: against numbers by hand, finite differences and Monte Carlo."""

from dataclasses import replace

import numpy as np
import pytest
from datum_case import GAUGE, case, hints, moved, twisted

from barerail.errors import DataError
from barerail.geometry.frames import basis, invert, transform
from barerail.geometry.mirror import Mirror, pairs_of
from barerail.records import Array, Feature
from barerail.scene.faults import Drift
from barerail.settings import DatumSettings
from barerail.stages.datum import datum
from barerail.stages.datum.combine import step_between
from barerail.stages.datum.finest import drift, few_blocks, jackknife
from barerail.stages.datum.frame import by_parts, levelled, rough_frame
from barerail.stages.datum.pairs import PairPlane, _tau, pair_plane
from barerail.stages.datum.refine import match
from barerail.stages.datum.surface import surface_of
from barerail.stages.datum.vertical import Low, level_of


def small_motion(after: Array, before: Array) -> Array:
    """(tx, ty, tz, rx, ry, rz) by which points move from one car frame to the other."""
    m = after @ invert(before)
    r = m[:3, :3]
    return np.array([*m[:3, 3], r[2, 1], r[0, 2], r[1, 0]])


def frame_of(mirror: Mirror, height: float, slope: float, x: float, middle: Array) -> tuple[Array, float]:
    """A frame from its parts, and where in it the level is read."""
    rows = np.eye(3) if mirror.normal[1] > 0 else np.diag([-1.0, -1.0, 1.0])
    rows = rows - np.outer(rows @ mirror.normal, mirror.normal) * [[1], [0], [1]]
    y = mirror.normal * np.sign(rows[1] @ mirror.normal)
    ahead = rows[0] / np.linalg.norm(rows[0])
    rough = rough_frame(np.stack([ahead, y, np.cross(ahead, y)]), mirror, middle)
    lows = tuple(Low("face", np.array([300.0, s, height]), slope, 0.1, 1e-4, 900.0) for s in (400, -400))
    level = level_of(lows, 0.05, 0.0)
    frame = levelled(rough, level)
    frame[0, 3] -= x
    at = frame @ np.linalg.solve(rough, [level.x0, 0, level.height, 1])
    return frame, float(at[0])


@pytest.mark.parametrize("normal", [[0.0, 1.0, 0.0], [0.0, -1.0, 0.0]])
def test_every_part_moves_the_frame_as_the_derivative_says(normal: list[float]) -> None:
    middle = np.array([120.0, -40.0, 700.0])
    mirror = Mirror(np.array(normal), 3.0)
    base, level_x = frame_of(mirror, -200.0, 0.0, 150.0, middle)
    j = by_parts(base, mirror, middle, level_x, np.zeros(3))
    eps = 1e-4
    for k in range(3):
        step = np.zeros(3)
        step[k] = eps
        other, _ = frame_of(mirror.moved(step), -200.0, 0.0, 150.0, middle)
        change = small_motion(other, base) / eps
        assert change[[1, 3, 5]] == pytest.approx(j[[1, 3, 5], k], abs=1e-3 * max(1, np.abs(j[:, k]).max()))
    higher, _ = frame_of(mirror, -200.0 + eps, 0.0, 150.0, middle)
    assert small_motion(higher, base) / eps == pytest.approx(j[:, 3], abs=1e-6)
    steeper, _ = frame_of(mirror, -200.0, eps, 150.0, middle)
    assert (small_motion(steeper, base) / eps)[[2, 4]] == pytest.approx(j[[2, 4], 4], rel=1e-3)
    ahead, _ = frame_of(mirror, -200.0, 0.0, 150.0 + eps, middle)
    assert small_motion(ahead, base) / eps == pytest.approx(j[:, 5], abs=1e-6)


def test_influence_is_what_moving_a_feature_does() -> None:
    clean, features, truth = case(2, noise=0.1)
    for hole, dx in ((2, 0.3), (4, -0.3), (6, 0.5), (8, -0.5)):  # so that one pair is clearly the best to take x from
        features = moved(features, hole, dx * truth[0, :3])
    settings = DatumSettings(**hints(truth))
    base = datum(clean, features, settings)
    assert sum(bool(i.matrix[0].any()) for i in base.influence) == 2
    assert len(base.influence) == len(features.found)
    part = next(i for i in base.influence if i.matrix[0].any())
    for axis in (truth[0, :3], truth[1, :3]):
        other = datum(clean, moved(features, part.feature, 0.02 * axis), settings)
        change = small_motion(other.car_from_scan, base.car_from_scan) / 0.02
        assert change[:3] == pytest.approx((part.matrix @ axis)[:3], abs=0.01)
        assert change[3:] * 1000 == pytest.approx((part.matrix @ axis)[3:] * 1000, abs=0.02)


def test_the_pairs_plane_follows_its_features() -> None:
    """By finite differences; the scatter is set so large that no weight changes on the way."""
    _, features, truth = case(3)
    mirror = Mirror(truth[1, :3], -float(truth[1, 3]))
    pairs = pairs_of(features.found, np.zeros(3), mirror)

    def plane(found: tuple[Feature, ...]) -> PairPlane:
        shifted = pairs_of(found, np.zeros(3), mirror)
        made = pair_plane(shifted, found, np.zeros(3), mirror, truth[0, :3], 20.0)
        assert made is not None
        return made

    base = plane(features.found)
    for i in (pairs[0].left, pairs[2].right):
        for axis in np.eye(3):
            step = step_between(base.mirror, plane(moved(features, i, 0.01 * axis).found).mirror) / 0.01
            expected = base.by_feature[i] @ axis
            assert step[2] == pytest.approx(expected[2], abs=1e-3)
            assert step[:2] * 1000 == pytest.approx(expected[:2] * 1000, abs=1e-3)


def test_the_jackknife_covers_what_blocks_do() -> None:
    """Monte Carlo: 10 blocks, each displaced by its own random amount, 400 draws of a plane fitted to them."""
    rng = np.random.default_rng(5)
    x = np.linspace(-2000, 2000, 4000)
    block = np.clip(((x + 2000) / 400).astype(int), 0, 9)
    design = np.column_stack([x, 60 * np.sin(x), np.ones_like(x)])
    inside = []
    for _ in range(400):
        residual = rng.normal(size=10)[block] * 0.2 + 0.05 * rng.normal(size=len(x))
        best = np.linalg.lstsq(design, residual, rcond=None)[0]
        cov = few_blocks(10) * jackknife(design, residual - design @ best, np.ones_like(x), block)
        inside.append(np.abs(best) < 2 * np.sqrt(np.diag(cov)))
    cover = np.mean(inside, axis=0)
    assert np.all(cover[[0, 2]] > 0.93) and np.all(cover[[0, 2]] < 0.995)


def test_few_blocks_widen() -> None:
    """Student's t at 95.45 %: 4.527 with 2 degrees of freedom, 2.429 with 7 (scipy and any table)."""
    assert few_blocks(5) == pytest.approx((4.527 / 2) ** 2, rel=1e-3)
    assert few_blocks(10) == pytest.approx((2.429 / 2) ** 2, rel=1e-3)
    with pytest.raises(DataError, match="only 3 stretches"):
        few_blocks(3)


def test_drift_moves_the_plane_as_drawn_fields_do() -> None:
    """Monte Carlo: 200 smooth vector fields of 0.1 mm with wavelengths of 1.5 to 6 m, the same matches every time."""
    clean, _, truth = case(4)
    surface = surface_of(clean)
    n = truth[1, :3]
    mirror = Mirror(n, -float(truth[1, 3]) - float(n @ surface.middle))
    m = match(surface, surface, surface.tree, mirror, 8.0, 15.0)
    points, weight = surface.points[m.rows], surface.area[m.rows]
    cov = drift(m, m.jacobian, weight, points @ truth[0, :3], mirror, points, 0.1)
    rng = np.random.default_rng(1)
    solve = -np.linalg.solve((m.jacobian * weight[:, None]).T @ m.jacobian, (m.jacobian * weight[:, None]).T)
    there, steps = mirror.reflect(points), []
    for _ in range(200):
        field = Drift(0.1, rng)
        seen = mirror.reflect(field(points)) - field(there)
        steps.append(solve @ np.einsum("ki,ki->k", m.there, seen))
    u, v, _ = basis(n)
    for axis in (truth[2, :3], truth[0, :3]):
        turn = np.array([u @ axis, v @ axis, 0.0])
        assert 0.8 < np.sqrt(turn @ cov @ turn) / np.std(np.array(steps) @ turn) < 1.2
    assert 0.8 < np.sqrt(cov[2, 2]) / np.std(np.array(steps)[:, 2]) < 1.2


def test_scatter_between_pairs_is_der_simonian_and_laird_s() -> None:
    """Against the plain formula, tau2 = (Q - (k - 1)) / (sum w - sum w2 / sum w), with a mean alone."""
    y = np.array([0.3, -0.4, 0.9, 0.1, -1.2, 0.5])
    var = np.array([0.04, 0.09, 0.05, 0.02, 0.10, 0.08])
    w = 1 / var
    mean = w @ y / w.sum()
    tau = np.sqrt((w @ (y - mean) ** 2 - 5) / (w.sum() - w @ w / w.sum()))
    jac = np.zeros((6, 2, 3))
    jac[:, 0, 0] = 1.0
    jac[0, 1, 1] = jac[1, 1, 2] = 1.0
    left, own = np.column_stack([y - mean, np.zeros(6)]), np.column_stack([var, np.full(6, 0.05)])
    assert _tau(left, jac, own, np.ones(6)) == pytest.approx([tau, 0.0], rel=1e-12)


def test_a_pair_out_of_place_gets_no_weight() -> None:
    _, features, truth = case(6)
    wrong = moved(features, 4, 4.0 * truth[1, :3])
    mirror = Mirror(truth[1, :3], -float(truth[1, 3]))
    pairs = pairs_of(wrong.found, np.zeros(3), mirror)
    made = pair_plane(pairs, wrong.found, np.zeros(3), mirror, truth[0, :3], 0.1)
    assert made is not None
    assert [w == 0 for w in made.weight] == [4 in (p.left, p.right) for p in pairs]
    step = step_between(mirror, made.mirror)
    assert np.abs(step[:2]).max() < 1e-6 and abs(step[2]) < 1e-3
    assert len(made.sound) == len(pairs) - 1


def test_alike_holes_too_close_to_tell_make_no_pair() -> None:
    _, features, truth = case(7)
    twin = replace(features.found[0], point=features.found[0].point + 9.0 * truth[0, :3])
    mirror = Mirror(truth[1, :3], -float(truth[1, 3]))
    n = len(pairs_of(features.found, np.zeros(3), mirror))
    assert len(pairs_of((*features.found, twin), np.zeros(3), mirror)) == n - 1


def test_far_points_are_less_certain() -> None:
    clean, features, truth = case(8, noise=0.1, bend=twisted(0.3))
    made = datum(clean, features, DatumSettings(**hints(truth)))
    u = []
    for q in ([0.0, 0, 0], [0.0, GAUGE, 0], [2000.0, GAUGE, 0], [4000.0, GAUGE, 0]):
        x, y, z = q
        j = np.hstack([np.eye(3), -np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])])
        u.append(np.sqrt(np.diag(j @ made.covariance @ j.T))[2])
    assert np.all(np.diff(u) > 0)
    assert np.all(np.linalg.eigvalsh(made.covariance) > 0)


def test_pair_and_surface_planes_are_both_given() -> None:
    """All pairs shifted 0.5 mm to the left: the pairs' plane is that far from the surface's, and it is said."""
    clean, features, truth = case(9, noise=0.05)
    shifted = features
    for i in range(len(features.found)):
        shifted = moved(shifted, i, 0.5 * truth[1, :3])
    made = datum(clean, shifted, DatumSettings(**hints(truth)))
    apart = made.evidence["pairs_less_surface"]
    assert apart["at_rear_mm"] == pytest.approx(0.5, abs=0.05) and apart["at_front_mm"] == pytest.approx(0.5, abs=0.05)
    assert apart["roll_deg"] == pytest.approx(0, abs=0.05) and apart["yaw_deg"] == pytest.approx(0, abs=0.005)
    assert any("isn't symmetric about its own features" in n.text for n in made.notes)
    between = transform(made.car_from_scan @ invert(truth), np.zeros(3))
    assert abs(between[1]) < 0.1, "the surface is far better known here and has to lead"
