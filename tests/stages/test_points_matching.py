"""The sparse one-to-one matching against the dense one of scipy.optimize."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from barerail.geometry.matching import Links, ambiguous, assign, gap, links, runner_up, tree


@given(st.integers(0, 10_000), st.integers(1, 9), st.integers(1, 9), st.floats(0.2, 3.0))
def test_assign_is_the_least_sum_with_rows_allowed_to_stay_alone(seed, rows, columns, alone):
    rng = np.random.default_rng(seed)
    cost, possible = rng.uniform(0, 2, (rows, columns)), rng.random((rows, columns)) < 0.6
    a, b = np.nonzero(possible)
    chosen = assign(Links(a, b), cost[a, b], (rows, columns), alone)
    assert len(set(a[chosen])) == len(set(b[chosen])) == len(chosen)
    total = cost[a[chosen], b[chosen]].sum() + alone * (rows - len(chosen))
    dense = np.hstack([np.where(possible, cost, 1e6), np.full((rows, rows), 1e6)])
    dense[np.arange(rows), columns + np.arange(rows)] = alone
    assert np.isclose(total, dense[linear_sum_assignment(dense)].sum(), rtol=0, atol=1e-9)


def test_assign_gives_up_the_nearest_where_all_together_gain():
    between, cost = Links(np.array([0, 0, 1]), np.array([0, 1, 0])), np.array([0.1, 0.3, 0.2])
    assert assign(between, cost, (2, 2), 1.0).tolist() == [1, 2]


def test_links_join_only_one_kind_within_reach():
    at = np.array([[0.0, 0, 0], [3, 0, 0], [0, 0, 9]])
    one = tree(at, np.array([0, 0, 1]))
    found = links(one, tree(np.add(at, [0.5, 0, 0]), np.array([0, 1, 1])), 2.6)
    assert list(zip(*found)) == [(0, 0), (1, 0), (2, 2)]


def test_second_best_and_gap():
    between = Links(np.array([0, 0, 1]), np.array([0, 1, 1]))
    by_a, by_b = runner_up(between, np.array([1.0, 4.0, 2.0]), np.array([0, 2]))
    assert by_a.tolist() == [4.0, np.inf] and by_b.tolist() == [np.inf, 4.0]
    assert ambiguous(np.array([1.0, 2.1]), np.array([2.0, 4.0])).tolist() == [False, True]
    among = Links(np.array([0, 0, 1]), np.array([0, 1, 0]))
    assert gap(among, np.array([0.0, 5.0, 5.0]), 3).tolist() == [5.0, 5.0, np.inf]
