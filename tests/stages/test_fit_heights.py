"""How high a face stands about a hole, and how well that is known. The truth is the construction."""

import numpy as np
import pytest

from barerail.records import Array, NoiseModel
from barerail.stages.fit.heights import height_variance, local_height

RADIUS, HALF = 6.0, 12.0
DISC = np.array([0.0, 0.0, RADIUS])
NOISE = NoiseModel(0.1, 0.06, 20.0, 0.0, 0.0)


def tab(rng: np.random.Generator, spacing: float = 2.0) -> Array:
    """A square tab with a hole in its middle and its four sides going down from it."""
    xy = rng.uniform(-HALF, HALF, (int((2 * HALF / spacing) ** 2), 2))
    face = np.column_stack([xy[np.hypot(*xy.T) > RADIUS], np.zeros((np.hypot(*xy.T) > RADIUS).sum())])
    n = int(2 * HALF * 4.0 / spacing**2)
    sides = [
        np.column_stack([np.full(n, s * HALF), rng.uniform(-HALF, HALF, n), rng.uniform(-4, 0, n)]) for s in (1, -1)
    ]
    turned = [side[:, [1, 0, 2]] for side in sides]
    return np.vstack([face, *sides, *turned])


def field(rng: np.random.Generator, xy: Array) -> Array:
    """Noise of NOISE at xy (n, 2), drawn from its covariance."""
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    like = np.exp(-((apart / NOISE.corr_length_mm) ** NOISE.power)) + 1e-9 * np.eye(len(xy))
    return NOISE.corr_mm * np.linalg.cholesky(like) @ rng.standard_normal(len(xy))


def test_the_sides_of_a_small_tab_hardly_pull_its_face_down() -> None:
    """0.04 mm without a bound on what is read."""
    rng = np.random.default_rng(1)
    read = []
    for _ in range(200):
        at = tab(rng)
        read.append(local_height(at + 0.1 * rng.standard_normal(at.shape), DISC, 0.4, 2.0)[0])
    assert abs(np.mean(read)) < 0.012


def test_the_height_s_variance_is_that_of_noise_drawn_from_its_covariance() -> None:
    """Monte Carlo by JCGM 101; the white part on top."""
    rng = np.random.default_rng(2)
    read, told = [], []
    for _ in range(300):
        at = tab(rng)
        at = at[at[:, 2] == 0]
        at[:, 2] = field(rng, at[:, :2]) + NOISE.white_mm * rng.standard_normal(len(at))
        height, ring = local_height(at, DISC, 0.4, 2.0)
        read.append(height)
        told.append(height_variance(ring, NOISE))
    assert np.sqrt(np.mean(told)) == pytest.approx(np.std(read), rel=0.1)


def test_too_few_points_beside_a_hole_leave_the_mean_plane_and_all_of_the_noise() -> None:
    height, ring = local_height(np.array([[8.0, 0.0, 0.3]]), DISC, 0.4, 2.0)
    assert height == 0.0 and height_variance(ring, NOISE) == pytest.approx(0.1**2 + 0.06**2)
