"""Thinning, neighbours and normals against sums and searches written out the long way."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from barerail.geometry.neighbours import (
    blocks_of,
    cell_keys,
    components,
    cosines,
    flatness,
    into_cells,
    nearest,
    normals_of,
    ranked,
    rows_of,
    touching,
)

RNG = np.random.default_rng(100)
CLOUD = RNG.uniform(-40, 40, (3000, 3))


def as_set(points):
    return points[np.lexsort(points.T)]


def test_every_point_is_in_the_cell_whose_mean_it_enters():
    cells = into_cells(CLOUD, cell_keys(CLOUD, 7.0))
    assert sorted(cells.order.tolist()) == list(range(len(CLOUD)))
    assert cells.start[0] == 0 and cells.start[-1] == len(CLOUD) and (np.diff(cells.start) > 0).all()
    for i in range(len(cells.mean)):
        members = CLOUD[cells.order[cells.start[i] : cells.start[i + 1]]]
        assert len(np.unique(np.floor(members / 7.0), axis=0)) == 1
        np.testing.assert_allclose(cells.mean[i], members.mean(0), rtol=0, atol=1e-12)
    assert len(cells.mean) == len(np.unique(np.floor(CLOUD / 7.0), axis=0))


def test_one_more_point_far_out_moves_no_other_cell():
    far = np.array([-5000.0, 300.0, 9000.0])
    one, two = (into_cells(p, cell_keys(p, 7.0)).mean for p in (CLOUD, np.vstack([CLOUD, far])))
    np.testing.assert_array_equal(as_set(np.vstack([one, far])), as_set(two))


def test_order_of_the_points_does_not_change_the_cells():
    shuffled = RNG.permutation(CLOUD)
    one, two = (into_cells(p, cell_keys(p, 7.0)).mean for p in (CLOUD, shuffled))
    np.testing.assert_allclose(as_set(one), as_set(two), rtol=0, atol=1e-12)


def test_points_a_million_mm_off_fall_into_the_same_cells():
    one, two = (into_cells(CLOUD + o, cell_keys(CLOUD + o, 8.0)) for o in (0.0, 1e6))
    np.testing.assert_array_equal(one.order, two.order)
    np.testing.assert_allclose(one.mean + 1e6, two.mean, rtol=0, atol=1e-8)


def test_both_faces_of_a_sheet_thinner_than_a_cell_stay_apart():
    xy = RNG.uniform(0, 60, (4000, 2))
    upper = RNG.random(4000) < 0.5
    turn = Rotation.from_euler("xyz", [20, 30, 40], True).as_matrix()
    points = np.column_stack([xy, np.where(upper, 2.0, 0.5)]) @ turn
    normals = np.where(upper[:, None], 1.0, -1.0) * turn[2]
    cells = into_cells(points, cell_keys(points, 6.0, normals))
    mixed = [len(set(upper[cells.order[a:b]])) for a, b in zip(cells.start[:-1], cells.start[1:], strict=True)]
    assert max(mixed) == 1
    assert max(len(set(upper[c])) for c in np.split(*_by_key(cell_keys(points, 6.0)))) == 2


def _by_key(key):
    order = np.argsort(key, kind="stable")
    return order, np.flatnonzero(np.diff(key[order])) + 1


@pytest.mark.parametrize("kind", ["spread", "ties", "whole", "close", "one", "none", "alike"])
def test_ranked_is_a_stable_argsort(kind):
    """Judged by numpy's own."""
    rng = np.random.default_rng(4)
    values = {
        "spread": rng.normal(size=5000) * 3e3,
        "ties": rng.integers(0, 50, 5000) / 7,
        "whole": rng.integers(-(10**15), 10**15, 5000) // 2 * 2,
        "close": np.append(1e6, 1 + rng.integers(0, 9, 4000) * 1e-15),
        "one": np.array([3.0]),
        "none": np.zeros(0),
        "alike": np.full(40, 2.5),
    }[kind]
    assert np.array_equal(ranked(values), np.argsort(values, kind="stable"))


def test_rows_of_lists_the_members_cell_after_cell():
    cells = into_cells(CLOUD, cell_keys(CLOUD, 9.0))
    asked = np.array([5, 0, 17, 3])
    expected = np.concatenate([cells.order[cells.start[i] : cells.start[i + 1]] for i in asked])
    np.testing.assert_array_equal(rows_of(asked, cells.order, cells.start), expected)


def test_nearest_agrees_with_the_full_table_of_distances():
    points = CLOUD[:300]
    index, distance = nearest(points, 5, 12.0)
    table = np.linalg.norm(points[:, None] - points, axis=2)
    np.fill_diagonal(table, np.inf)
    order = np.argsort(table, axis=1)[:, :5]
    expected = np.take_along_axis(table, order, axis=1)
    seen = expected < 12.0
    assert seen.any() and not seen.all()
    np.testing.assert_array_equal(index, np.where(seen, order, -1))
    np.testing.assert_allclose(distance[seen], expected[seen], rtol=0, atol=1e-12)
    assert np.isinf(distance[~seen]).all()


def test_normals_of_a_plane_are_its_normal_and_need_not_all_neighbours():
    turn = Rotation.from_euler("xyz", [10, 50, 70], True).as_matrix()
    points = np.column_stack([RNG.uniform(0, 50, (800, 2)), np.zeros(800)]) @ turn + 1e5
    near, _ = nearest(points, 12, 30.0)
    near[:, 6:] = np.where(RNG.random((800, 6)) < 0.5, -1, near[:, 6:])
    normals = normals_of(points, near, chunk=333)
    np.testing.assert_allclose(np.abs(normals @ turn[2]), 1.0, rtol=0, atol=1e-9)


def test_flatness_of_a_bent_strip_is_the_turn_between_neighbours():
    # normals that turn by the same angle a step: each inner point has one neighbour at -step and one at +step
    step = np.radians(3.0)
    turn = step * np.arange(20)
    normals = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(20)])
    normals[::2] *= -1
    near = np.column_stack([np.arange(20) - 1, np.append(np.arange(1, 20), -1)])
    np.testing.assert_allclose(flatness(normals, near), step, rtol=1e-6)
    assert flatness(normals, np.full((20, 2), -1)) == pytest.approx(np.full(20, np.pi / 2))


def test_components_follow_the_edges():
    label = components(7, np.array([0, 1, 4]), np.array([1, 2, 5]))
    groups = {frozenset(np.flatnonzero(label == k).tolist()) for k in set(label.tolist())}
    assert groups == {frozenset({0, 1, 2}), frozenset({3}), frozenset({4, 5}), frozenset({6})}


@pytest.mark.parametrize(
    ("gap", "pieces"), [([10.0, 0, 0], 1), ([10.0, 10, 10], 1), ([20.0, 0, 0], 2), ([0, 20.0, 10], 2)]
)
def test_cells_touch_by_side_edge_or_corner(gap, pieces):
    first = np.array([[3.0, 3.0, 3.0], [8.0, 2.0, 5.0]])
    label = touching(np.vstack([first, first + gap]), 10.0)
    assert len(set(label.tolist())) == pieces
    assert label[0] == label[1] and label[2] == label[3]


def test_blocks_hold_every_point_that_may_lie_within_reach():
    points = np.random.default_rng(107).uniform(0, 500, (4000, 3))
    blocks = blocks_of(points, 60.0)
    distance = np.linalg.norm(blocks.cells.mean - [250, 250, 250], axis=1)
    rows = blocks.within(distance, 80.0)
    near = np.flatnonzero(np.linalg.norm(points - [250, 250, 250], axis=1) < 80.0)
    assert np.isin(near, rows).all() and len(rows) < len(points) / 4


def test_cosines_are_those_of_each_pair():
    n = np.random.default_rng(108).standard_normal((50, 3))
    near = np.random.default_rng(109).integers(0, 50, (50, 4))
    assert np.allclose(cosines(n, near), np.einsum("mi,mki->mk", n, n[near]), rtol=0, atol=1e-12)
