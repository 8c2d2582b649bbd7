"""Noise of a scan by its probes, against numpy's own least squares, patch by patch."""

import numpy as np
import pytest

from barerail.geometry.neighbours import cell_keys, into_cells, nearest
from barerail.stages.clean.roughness import noise_of


def bowl(sd: float) -> np.ndarray:
    """A paraboloid of 1 / 200 mm with noise across it, 90 mm wide."""
    rng = np.random.default_rng(180)
    x, y = rng.uniform(-45, 45, (2, 9000))
    return np.column_stack([x, y, (x * x + y * y) / 400 + rng.normal(0, sd, 9000)])


def cut(points: np.ndarray):
    cells = into_cells(points, cell_keys(points, 3.0))
    return cells, nearest(cells.mean, 14, 18.0)[0]


def by_hand(points: np.ndarray, cells, near: np.ndarray) -> float:
    out = []
    for i, beside in enumerate(near):
        ring = [i, *beside[beside >= 0]]
        own = np.vstack([points[cells.order[cells.start[c] : cells.start[c + 1]]] for c in ring])
        if len(own) >= 15:
            x, y, z = ((own - own.mean(0)) @ np.linalg.svd(own - own.mean(0))[2].T).T
            design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
            r = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
            out.append(np.sqrt(r @ r / (len(r) - 6)))
    return float(np.quantile(out, 0.2))


def test_it_is_what_numpy_s_fits_say_gaps_among_the_neighbours_or_not():
    points = bowl(0.1)
    cells, near = cut(points)
    assert len(near) < 2000
    for n in (near, np.where(np.random.default_rng(1).uniform(size=near.shape) < 0.3, -1, near)):
        assert noise_of(points, cells, n) == pytest.approx(by_hand(points, cells, n), rel=1e-9)


def test_a_bowl_s_shape_is_no_noise():
    assert 0.07 < noise_of(bowl(0.1), *cut(bowl(0.1))) < 0.1


def test_too_few_points_say_nothing():
    few = bowl(0.1)[:12]
    assert np.isnan(noise_of(few, *cut(few)))
