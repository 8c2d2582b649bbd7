"""Rims of holes in simulated scans: no bias, and a covariance that is neither too small nor too large.

The judge is the process itself: face points are a Poisson process outside the rim, wall points scatter about it, and
the error of each fit against the rim that made its points must be as large as the fit says. With N fits the mean of N
squared standard scores is 1 with standard error sqrt(2 / N) where they are normal; bounds are four of these wide, twice
that upwards, for the scores have heavier tails than a normal (few points at the rim).
"""

import numpy as np
import pytest
from scipy.special import ndtr

from barerail.geometry.rim import RimPoints, circle, circle_area, fit_rim, log_likelihood, stadium, stadium_area

SPACING, NOISE, EDGE, REACH = 2.0, 0.1, 0.15, 8.0
SLOT_LEAST = np.array([0.3, 0.3, 0.01, 0.3, 0.3])


def scanned(rng, rim, curve, wall_share, around):
    """What a scanner sees of a hole: face points outside the softened rim, and its wall in part."""
    half = float(np.abs(around).max()) + REACH
    xy = rng.uniform(-half, half, (rng.poisson((2 * half / SPACING) ** 2), 2))
    off = curve(rim[None], xy)[0]
    face = xy[(rng.random(len(xy)) < ndtr(off / EDGE)) & (off < REACH)]
    chosen = around[rng.integers(len(around), size=rng.poisson(wall_share * len(around)))]
    wall = chosen + NOISE * rng.standard_normal(chosen.shape)
    return RimPoints(face, wall, 1 / SPACING**2, NOISE, EDGE)


def outline(rim, per_mm=1.0):
    """Points (n, 2) along a circle (x, y, r) or a slot (x, y, direction, half length, r)."""
    half = rim[3] if len(rim) == 5 else 0.0
    n = int(per_mm * (2 * np.pi * rim[-1] + 4 * half))
    s = (np.arange(n) + 0.5) / n * (4 * half + 2 * np.pi * rim[-1])
    end = np.pi * rim[-1]
    turn = -np.pi / 2 + (np.clip(s - 2 * half, 0, end) + np.clip(s - 4 * half - end, 0, end)) / rim[-1]
    x = -half + np.clip(s, 0, 2 * half) - np.clip(s - 2 * half - end, 0, 2 * half)
    local = np.column_stack([x, np.zeros(n)]) + rim[-1] * np.column_stack([np.cos(turn), np.sin(turn)])
    c, s = (np.cos(rim[2]), np.sin(rim[2])) if len(rim) == 5 else (1.0, 0.0)
    return local @ np.array([[c, s], [-s, c]]) + rim[:2]


def errors(seed, count, rim, wall_share, curve, area, start_off, width):
    """Errors (count, p) and standard scores of the fits of simulated holes about `rim` (p,), fitted twice over."""
    rng = np.random.default_rng(seed)
    error, score = [], []
    for _ in range(count):
        true = np.array(rim, float)
        true[:2] += rng.uniform(-0.5, 0.5, 2)
        points = scanned(rng, true, curve, wall_share, outline(true))
        start, reach = true + start_off * rng.standard_normal(len(true)), np.array(width)
        for _ in range(2):
            fit = fit_rim(points, start, reach, curve, area)
            least = SLOT_LEAST if len(true) == 5 else 0.3
            start, reach = fit.mean, np.maximum(3 * np.sqrt(np.diag(fit.cov)), least)
        error.append(fit.mean - true)
        score.append(error[-1] / np.sqrt(np.diag(fit.cov)))
    return np.array(error), np.array(score)


def assert_honest(score):
    power, expected = (score**2).mean(axis=0), np.sqrt(2 / len(score))
    assert (power > 1 - 4 * expected).all() and (power < 1 + 8 * expected).all()
    assert ((np.abs(score) < 2).mean(axis=0) > 0.88).all()


@pytest.mark.parametrize("radius", [5.25, 10.0])
def test_a_hole_with_a_wall_has_no_bias_and_an_honest_covariance(radius):
    error, score = errors(100, 100, (0, 0, radius), 0.5, circle, circle_area, 0.4, (3.0, 3.0, 3.0))
    assert (np.abs(error.mean(0)) < 4 * error.std(0) / np.sqrt(len(error))).all()
    assert np.abs(error[:, 2].mean()) < 0.01
    assert_honest(score)


def test_a_hole_without_a_wall_is_told_from_the_face_alone():
    _, score = errors(101, 90, (0, 0, 8.0), 0.0, circle, circle_area, 0.4, (3.0, 3.0, 3.0))
    assert_honest(score)
    assert (np.abs(score.mean(axis=0)) < 4 / np.sqrt(len(score))).all()


def test_a_slot_has_no_bias_and_an_honest_covariance():
    off = np.array([0.4, 0.4, 0.03, 0.4, 0.4])
    error, score = errors(102, 16, (0, 0, 0.3, 8.0, 6.0), 0.5, stadium, stadium_area, off, (2.4, 2.4, 0.12, 2.4, 2.0))
    assert (np.abs(error.mean(0)) < 4 * error.std(0) / np.sqrt(len(error))).all()
    assert_honest(score)


def test_the_area_term_is_the_density():
    far = np.array([[30.0, 0.0]])
    points = RimPoints(far, np.zeros((0, 2)), 0.25, NOISE, EDGE)
    small, large = log_likelihood(np.array([[0, 0, 5.0], [0, 0, 6.0]]), points, circle, circle_area)
    assert large - small == pytest.approx(0.25 * 0.98 * np.pi * (36 - 25), rel=1e-9)


@pytest.mark.parametrize(
    ("curve", "area", "rim"),
    [(circle, circle_area, (3.0, -2.0, 6.0)), (stadium, stadium_area, (3.0, -2.0, 0.7, 9.0, 4.0))],
)
def test_signed_distance_and_area_agree_with_the_outline(curve, area, rim):
    rim = np.array(rim)
    line = outline(rim, per_mm=60.0)
    away = np.random.default_rng(103).uniform(-18, 18, (300, 2))
    distance = np.linalg.norm(away[:, None] - line, axis=2).min(axis=1)
    np.testing.assert_allclose(np.abs(curve(rim[None], away)[0]), distance, rtol=0, atol=0.02)
    # side by the winding of the outline about the point; area by the shoelace formula
    step = line[None] - away[:, None]
    turn = np.diff(np.unwrap(np.arctan2(*step[..., ::-1].transpose(2, 0, 1))), axis=1).sum(axis=1)
    inside = np.abs(turn) > np.pi
    clear = distance > 0.05
    np.testing.assert_array_equal((curve(rim[None], away)[0] < 0)[clear], inside[clear])
    x, y = line.T
    assert area(rim[None])[0] == pytest.approx(0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))), rel=1e-4)


def test_strays_inside_are_counted_and_hardly_move_the_rim():
    rng = np.random.default_rng(104)
    true = np.array([0.2, -0.3, 8.0])
    points = scanned(rng, true, circle, 0.5, outline(true))
    strays = np.array([[1.0, 2.0], [-3.0, 0.5], [0.0, -4.0], [4.0, 0.0]])
    more = RimPoints(np.vstack([points.face, strays]), points.wall, points.density, NOISE, EDGE)
    one, two = (fit_rim(p, true, np.full(3, 2.0), circle, circle_area) for p in (points, more))
    assert (one.misfit, two.misfit) == (0, 4)
    assert (np.abs(one.mean - two.mean) < np.sqrt(np.diag(one.cov))).all()


def test_the_rim_moves_with_its_points():
    rng = np.random.default_rng(105)
    true = np.array([0.2, -0.3, 6.0])
    points = scanned(rng, true, circle, 0.5, outline(true))
    shift = np.array([5e3, -2e3, 0.0])
    moved = RimPoints(points.face + shift[:2], points.wall + shift[:2], points.density, NOISE, EDGE)
    one = fit_rim(points, true, np.full(3, 2.0), circle, circle_area)
    two = fit_rim(moved, true + shift, np.full(3, 2.0), circle, circle_area)
    np.testing.assert_allclose(two.mean - shift, one.mean, rtol=0, atol=1e-8)
    np.testing.assert_allclose(two.cov, one.cov, rtol=1e-6, atol=1e-10)


def test_one_side_of_a_rim_gives_a_wide_answer_where_nothing_was_seen():
    rng = np.random.default_rng(106)
    true = np.array([0.0, 0.0, 8.0])
    points = scanned(rng, true, circle, 0.5, outline(true))
    left, wall = points.face[points.face[:, 0] < 0], points.wall[points.wall[:, 0] < 0]
    half = RimPoints(left, wall, points.density, NOISE, EDGE)
    whole, part = (fit_rim(p, true, np.full(3, 2.0), circle, circle_area) for p in (points, half))
    assert part.cov[0, 0] > 4 * whole.cov[0, 0]
