"""The voxel of a fused mesh, by what its vertices show. Judged by geometry: of a grid each holds its edge squared."""

from types import SimpleNamespace

import numpy as np
import pytest

from barerail.stages.fit.cloud import _voxel

EDGE = 2.4


def sheet(edge, turn):
    """A flat triangulated grid (n, 3) of `edge` mm, turned, and its triangles."""
    side = 60
    x, y = np.meshgrid(np.arange(side) * edge, np.arange(side) * edge, indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(side * side)])
    c, s = np.cos(turn), np.sin(turn)
    i = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).ravel()
    lower = np.column_stack([i, i + side, i + 1])
    triangles = np.concatenate([lower, np.column_stack([i + 1, i + side, i + side + 1])])
    return points @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]), triangles


def told(spacing, points, triangles):
    return _voxel(SimpleNamespace(spacing_mm=spacing, scan=SimpleNamespace(points=points)), triangles)


@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_rows_that_seem_further_apart_are_told_by_area(turn):
    assert told(1.02 * EDGE, *sheet(EDGE, turn)) == pytest.approx(EDGE, rel=1e-6)


def test_large_triangles_of_a_thinned_mesh_do_not_count():
    assert told(EDGE, *sheet(4 * EDGE, 0.0)) == EDGE
