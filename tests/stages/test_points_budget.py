"""Uncertainty of points and pairs against Monte Carlo (JCGM 101:2008) and in what must grow."""

from dataclasses import replace

import numpy as np
from points_case import LEFT, NOISE, POSE, UP, a_datum, feature, mirrored, scanned

from barerail.geometry.frames import from_rotation_vector, transform
from barerail.records import Influence, NoiseModel
from barerail.settings import PointsSettings
from barerail.stages.points import points
from barerail.stages.points.budget import budget
from barerail.stages.points.place import place

STILL = NoiseModel(0.1, 0.05, 25.0, drift_mm=0.0, drift_mm_per_m=0.0)
DRAWS = 200_000
TURN = POSE[:3, :3]


def close(drawn, cov, share=0.05):
    """Largest difference of a covariance from the drawn one, over the product of the standard uncertainties."""
    u = np.sqrt(np.diag(drawn))
    return float(np.abs((cov - drawn) / np.outer(u, u)).max()) < share


def case():
    """A pair on which the datum rests, with lopsided covariances, and how the datum moves with it."""
    rng = np.random.default_rng(5)
    left = feature("hole", (1500, 400, 300), UP, 12, cov=np.diag([0.3, 0.1, 0.2]) ** 2)
    right = replace(mirrored(left), cov=np.diag([0.1, 0.2, 0.05]) ** 2 + 0.004)
    features = scanned([left, right], noise=STILL)
    own = np.diag([0.1, 0.05, 0.1, 1e-4, 2e-4, 1e-4]) ** 2
    scale = np.array([0.4, 0.4, 0.4, 3e-4, 3e-4, 3e-4])[:, None]
    moves = [scale * rng.uniform(-1, 1, (6, 3)) for _ in range(2)]
    datum_cov = own + sum(m @ f.cov @ m.T for m, f in zip(moves, features.found))
    influence = tuple(Influence(i, m) for i, m in enumerate(moves))
    return features, own, moves, a_datum(covariance=datum_cov, influence=influence)


def draws(features, own, moves, datum):
    """Both points in car axes as drawn: fit errors, the datum they move and its own error, turns done in full."""
    rng = np.random.default_rng(6)
    fit = [rng.multivariate_normal(np.zeros(3), f.cov, DRAWS) for f in features.found]
    moved = rng.multivariate_normal(np.zeros(6), own, DRAWS) + sum(e @ m.T for e, m in zip(fit, moves))
    angle = np.linalg.norm(moved[:, 3:], axis=1, keepdims=True)
    k = moved[:, 3:] / angle
    for f, e in zip(features.found, fit):
        q = transform(datum.car_from_scan, f.point + e)
        dot = np.einsum("ij,ij->i", k, q)[:, None]
        yield q * np.cos(angle) + np.cross(k, q) * np.sin(angle) + k * dot * (1 - np.cos(angle)) + moved[:, :3]


def test_covariance_of_points_the_datum_rests_on_agrees_with_monte_carlo():
    features, own, moves, datum = case()
    made = {p.feature: p for p in points(features, datum, (), PointsSettings()).points}
    for i, q in enumerate(draws(features, own, moves, datum)):
        assert close(np.cov(q.T), made[i].cov)
    without = points(features, replace(datum, influence=()), (), PointsSettings()).points[0]
    assert not close(np.cov(next(draws(features, own, moves, datum)).T), without.cov), "the cross term must matter here"


def test_covariance_of_a_pair_difference_agrees_with_monte_carlo():
    features, own, moves, datum = case()
    left, right = draws(features, own, moves, datum)
    (pair,) = points(features, datum, (), PointsSettings()).pairs
    assert close(np.cov((right * [1, -1, 1] - left).T), pair.cov)


def test_the_datum_cancels_from_a_difference_along_and_up_but_not_across():
    left = feature("hole", (1500, 400, 300), UP, 12)
    features = scanned([left, mirrored(left)], noise=STILL)
    loose = a_datum(covariance=np.diag([5.0, 5.0, 5.0, 0, 0, 0]) ** 2)
    (pair,) = points(features, loose, (), PointsSettings()).pairs
    assert np.allclose(np.sqrt(np.diag(pair.cov)), [0.02 * 2**0.5, 10.0, 0.02 * 2**0.5], rtol=1e-3)


def test_by_datum_is_the_derivative_of_the_position():
    features = scanned([feature("hole", (1500, -400, 300), UP, 12)])
    p = points(features, a_datum(), (), PointsSettings()).points[0]
    step = np.array([0.1, -0.2, 0.3, 1e-5, -2e-5, 3e-5])
    moved = from_rotation_vector(step[3:]) @ p.position + step[:3]
    assert np.allclose(p.by_datum @ step, moved - p.position, rtol=0, atol=1e-5)


def test_drift_grows_from_the_origin_and_stays_out_of_the_local_covariance():
    at = [feature("hole", (x, 400, 300), UP, 12) for x in (0, 3000)]
    exact = a_datum(covariance=np.zeros((6, 6)))
    near, far = sorted(points(scanned(at), exact, (), PointsSettings()).points, key=lambda p: p.position[0])
    for p in (near, far):
        r = np.linalg.norm(p.position) / 1000
        expected = 0.02**2 + NOISE.drift_mm**2 + (NOISE.drift_mm_per_m * r) ** 2
        assert np.allclose(p.cov, expected * np.eye(3), rtol=0, atol=1e-9)
        assert np.allclose(p.cov_local, 0.02**2 * np.eye(3), rtol=0, atol=1e-12)
    (pair,) = points(scanned([at[1], mirrored(at[1])]), exact, (), PointsSettings()).pairs
    assert np.allclose(np.diag(pair.cov), 2 * 0.02**2 + 2 * 0.05**2 + (0.2 * 0.8) ** 2, rtol=1e-6)


def test_a_direction_the_scan_does_not_hold_keeps_its_large_uncertainty():
    open_along = np.diag([0.02, 300.0, 0.02]) ** 2
    p = points(
        scanned([feature("tube", (500, 3, 300), LEFT, 38, 700, cov=open_along)]), a_datum(), (), PointsSettings()
    ).points[0]
    u = np.sqrt(np.diag(p.cov))
    assert u[1] > 299 and u[0] < 0.5
    unknown = feature("hole", (500, 300, 300), UP, 12, cov=np.full((3, 3), np.nan))
    p = points(scanned([unknown]), a_datum(), (), PointsSettings()).points[0]
    assert np.all(np.sqrt(np.diag(p.cov)) >= 1000)


def test_an_influence_the_datum_covariance_cannot_hold_leaves_the_joint_covariance_proper():
    features, _, moves, datum = case()
    small = replace(
        datum, covariance=0.25 * sum(m @ f.cov @ m.T for m, f in zip(moves, features.found)) + 1e-12 * np.eye(6)
    )
    placed = place(features, small)
    sums = budget(placed, features, small)
    assert 0.4 < sums.share < 0.51
    joint = np.zeros((12, 12))
    joint[:6, :6] = small.covariance
    for i in range(2):
        rows = slice(6 + 3 * i, 9 + 3 * i)
        joint[rows, rows], joint[rows, :6], joint[:6, rows] = sums.local[i], sums.cross[i], sums.cross[i].T
    scale = 1 / np.sqrt(np.diag(joint))
    assert np.linalg.eigvalsh(scale[:, None] * joint * scale).min() > -1e-6
    assert any("can't hold" in n.text for n in points(features, small, (), PointsSettings()).notes)


def test_the_axis_covariance_includes_the_turn_of_the_datum():
    features = scanned([feature("hole", (1500, 400, 300), UP, 12)])
    p = points(features, a_datum(covariance=np.diag([0, 0, 0, 0.01, 0.02, 0.03]) ** 2), (), PointsSettings()).points[0]
    assert np.allclose(p.cov_axis, 0.001**2 * np.eye(3) + np.diag([0.02, 0.01, 0]) ** 2, rtol=0, atol=1e-12)
