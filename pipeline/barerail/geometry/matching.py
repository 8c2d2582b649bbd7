"""Matching two sets one to one: globally best, gated, and honest about what can't be told apart."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching
from scipy.spatial import cKDTree

from barerail.records import Array, Index

APART = 1e6


class Links(NamedTuple):
    """Possible partners: row of the one set, row of the other, (k,) each."""

    a: Index
    b: Index


def tree(points: Array, kind: Index) -> cKDTree:
    """Search tree of points (n, 3), mm, in which those of different kind (n,) are out of each other's reach."""
    return cKDTree(np.column_stack([points, APART * kind]))


def links(one: cKDTree, other: cKDTree, reach: float) -> Links:
    """All pairs at most `reach` mm apart, in order of their rows."""
    found = one.sparse_distance_matrix(other, reach, output_type="ndarray")
    order = np.lexsort((found["j"], found["i"]))
    return Links(found["i"][order].astype(np.int64), found["j"][order].astype(np.int64))


def assign(between: Links, cost: Array, shape: tuple[int, int], unmatched: float) -> Index:
    """Positions in `between` of the one-to-one matching with the least sum of cost; a row left out costs `unmatched`.

    cost (k,), not negative; shape: sizes of both sets. Jonker & Volgenant 1987 (Computing 38:325-340) on the sparse
    graph: a column of its own at cost `unmatched` lets each row go without.
    """
    if len(cost) == 0:
        return np.zeros(0, np.int64)
    rows, columns = shape
    alone = np.arange(rows)
    a, b = np.concatenate([between.a, alone]), np.concatenate([between.b, columns + alone])
    weight = 1 + np.concatenate([cost, np.full(rows, unmatched)])  # the solver takes a zero for no edge
    partner = min_weight_full_bipartite_matching(csr_array((weight, (a, b)), shape=(rows, columns + rows)))[1]
    return np.flatnonzero(partner[between.a] == between.b)


def runner_up(between: Links, distance: Array, chosen: Index) -> tuple[Array, Array]:
    """Least distance of any other link from the a end, and from the b end, of each chosen one; infinite for none."""
    other = distance.copy()
    other[chosen] = np.inf
    a, b = (_least(ends, other)[ends[chosen]] for ends in between)
    return a, b


def gap(among: Links, distance: Array, size: int) -> Array:
    """Distance (size,) from each to its nearest like one within one set; infinite where there is none."""
    least = np.full(size, np.inf)
    apart = among.a != among.b
    np.minimum.at(least, among.a[apart], distance[apart])
    return least


def ambiguous(distance: Array, second: Array) -> NDArray[np.bool_]:
    """True where the second best is less than twice as far: no telling which (judgement)."""
    return second < 2 * distance


def _least(ends: Index, values: Array) -> Array:
    least = np.full(int(ends.max(initial=-1)) + 1, np.inf)
    np.minimum.at(least, ends, values)
    return least
