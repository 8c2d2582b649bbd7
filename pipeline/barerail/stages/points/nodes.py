"""Tube nodes by the two tubes they are of: many may stand at one place, and only their tubes tell them apart."""

from collections.abc import Mapping, Sequence

import numpy as np

from barerail.records import Array, Index, Wanted
from barerail.stages.points.place import Placed

MIRROR = np.array([1.0, -1.0, 1.0])


def tubes_of(placed: Placed) -> dict[int, tuple[int, ...]]:
    """Rows of both tubes, by the row of each node."""
    row = {int(k): i for i, k in enumerate(placed.found)}
    nodes = np.flatnonzero(placed.of_kind("tube-node")).tolist()
    return {i: tuple(row[k] for k in placed.source[i].members) for i in nodes}


def node_partners(placed: Placed, left: Index, right: Index, own: Index, reach: float) -> tuple[Index, Index]:
    """Nodes left and right (k,) of tubes that are partners (left, right) or their own mirror images (own), and within
    `reach` mm of mirror image."""
    mate = dict(zip(own.tolist(), own.tolist())) | dict(zip(left.tolist(), right.tolist()))
    mate |= dict(zip(right.tolist(), left.tolist()))
    of = tubes_of(placed)
    at = {frozenset(tubes): i for i, tubes in of.items()}
    pairs = [(i, at.get(frozenset(mate.get(t, -1) for t in tubes), -1)) for i, tubes in of.items()]
    kept = [(i, j) for i, j in pairs if j >= 0 and _mirrored(placed.point[i], placed.point[j], reach)]
    return tuple(np.array(kept, np.int64).reshape(-1, 2).T)  # type: ignore[return-value]


def _mirrored(a: Array, b: Array, reach: float) -> bool:
    return bool(a[1] > 0 > b[1] and np.linalg.norm(b * MIRROR - a) <= reach)


def nodes_named(
    wanted: Sequence[Wanted], placed: Placed, names: Mapping[int, str], reach: float | None
) -> dict[int, str]:
    """Name of each node that `wanted` names by its tubes: those of `names`, the node within `reach` mm of the place, or
    within the name's own."""
    row = {name: i for i, name in names.items()}
    at = {frozenset(tubes): i for i, tubes in tubes_of(placed).items()}
    found = [(w, at.get(frozenset(row.get(t, -1) for t in w.tubes), -1)) for w in wanted]
    return {
        i: w.name
        for w, i in found
        if i >= 0 and np.linalg.norm(placed.point[i] - w.position) <= (w.reach_mm if reach is None else reach)
    }
