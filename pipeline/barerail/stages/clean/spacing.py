"""The spacing of a scan's points on their own face."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.geometry.neighbours import Cells, rows_of
from barerail.records import Array, Index

PROBES = 2000
"""Places at which spacing and noise are read."""


def spacing_of(points: Array, normals: NDArray[np.float32] | None, cells: Cells, voxel: float, k: int = 12) -> float:
    """Median of 1 / sqrt(density), density from the distance to the k-th neighbour, over evenly strided probes.

    Neighbours on the other face of a sheet, told by the scan's normals where it has any, don't count.
    """
    reach = 4 * voxel
    probe = np.linspace(0, len(cells.mean) - 1, min(PROBES, len(cells.mean))).astype(np.int64)
    tree, first = cKDTree(cells.mean, balanced_tree=False, compact_nodes=False), cells.order[cells.start[probe]]
    while True:
        around = tree.query_ball_point(cells.mean[probe], reach, workers=-1, return_sorted=True)
        near = np.unique(np.concatenate([np.asarray(a, np.int64) for a in around]))
        middle = _kth_distance(points, normals, rows_of(near, cells.order, cells.start), first, k)
        if middle < 0.6 * reach or reach > 200:
            return middle * float(np.sqrt(np.pi / k))
        reach *= 2


def _kth_distance(points: Array, normals: NDArray[np.float32] | None, rows: Index, first: Index, k: int) -> float:
    """Median distance in mm from points `first` to their k-th neighbour among `rows` that faces their way."""
    found = cKDTree(points[rows], balanced_tree=False, compact_nodes=False).query(
        points[first], min(3 * k + 1, len(rows)), workers=-1
    )
    distance, index = np.asarray(found[0]), rows[np.asarray(found[1])]
    alike = np.ones(distance.shape, bool)
    if normals is not None:
        alike = np.einsum("mi,mki->mk", normals[first], normals[index]) > 0
    rank = np.cumsum(alike, axis=1)
    enough = rank[:, -1] > k
    chosen = np.argmax(rank > k, axis=1)
    return float(np.median(distance[enough, chosen[enough]])) if enough.any() else float("inf")
