"""Surfaces cut by a plane: lines in the plane, outside on their right where it is known."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.geometry.contour import chains
from barerail.geometry.neighbours import cell_keys, into_cells
from barerail.records import Array, Index

STEEPEST = 0.3
"""Sine of the angle between surface and plane below which a cloud's points say too little of where they meet."""
ALONG = 0.8
ALIKE = 0.5
LEAST = 5
REACH = 3.5
"""How far, in point spacings, the next point of a cloud's line may lie."""


def cut_mesh(points: Array, triangles: NDArray[np.integer]) -> list[Array]:
    """Lines (k, 2) where triangles meet z = 0, points (n, 3); outside is on the right of those wound outward.

    Exact: a corner a line, on the edges of the triangles. A closed line ends with its first point.
    """
    z = np.where(points[:, 2] == 0, 1e-9, points[:, 2])
    above = z > 0
    cut = triangles[(above[triangles].sum(axis=1) % 3) != 0].astype(np.int64)
    after = np.roll(cut, -1, axis=1)
    falls, climbs = above[cut] & ~above[after], ~above[cut] & above[after]
    nodes = np.minimum(cut, after) * len(points) + np.maximum(cut, after)
    lines = chains(np.column_stack([nodes[falls], nodes[climbs]]))
    return [_crossings(line, points, z) for line in lines]


def _crossings(line: Index, points: Array, z: Array) -> Array:
    a, b = np.divmod(line, len(points))
    share = z[a] / (z[a] - z[b])
    return points[a, :2] + share[:, None] * (points[b, :2] - points[a, :2])


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Means of cells of a cloud near the plane: places and unit normals (n, 2) in it."""

    at: Array
    normal: Array


def cut_cloud(points: Array, normals: Array, spacing: float) -> list[Array]:
    """Lines (k, 2) where the surface of points (n, 3) with unit normals (n, 3) meets z = 0, mm.

    Points within 1.5 spacings slide along their own surface into the plane, are averaged over a spacing, put onto the
    parabola of their neighbours, and joined to the next on either side. Outside is on the right.
    """
    near = np.abs(points[:, 2]) < 1.5 * spacing
    p, n = points[near], normals[near]
    steep = np.hypot(n[:, 0], n[:, 1]) > STEEPEST
    p, n = p[steep], n[steep]
    if len(p) < 2:
        return []
    slide = np.array([0.0, 0, 1]) - n[:, 2:] * n
    flat = (p - (p[:, 2] / slide[:, 2])[:, None] * slide)[:, :2]
    flat_normal = n[:, :2] / np.linalg.norm(n[:, :2], axis=1, keepdims=True)
    nodes = _smoothed(_averaged(flat, flat_normal, spacing), spacing)
    return [_outside_right(line, nodes) for line in _joined(nodes, spacing)]


def _averaged(at: Array, normal: Array, spacing: float) -> _Nodes:
    solid = np.column_stack([at, np.zeros(len(at))])
    group = into_cells(solid, cell_keys(solid, spacing, np.column_stack([normal, np.zeros(len(at))])))
    total = np.add.reduceat(normal[group.order], group.start[:-1], axis=0)
    length = np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)
    return _Nodes(group.mean[:, :2], total / length)


def _smoothed(nodes: _Nodes, spacing: float) -> _Nodes:
    """Each node on the parabola of least squares through those within 2.5 spacings that face alike.

    A line would lie inside a bend, by 0.04 mm on a tube of 50 mm.
    """
    around = cKDTree(nodes.at).query_ball_point(nodes.at, 2.5 * spacing, return_sorted=True)
    at, normal = nodes.at.copy(), nodes.normal.copy()
    for i, found in enumerate(around):
        turn = nodes.normal[found] @ nodes.normal[i]
        alike = np.asarray(found)[turn > ALONG]
        if len(alike) < LEAST:
            continue
        d = nodes.at[alike] - nodes.at[i]
        spread = d - d.mean(axis=0)
        across = np.linalg.eigh(spread.T @ spread)[1][:, 0]
        across *= np.sign(across @ nodes.normal[i]) or 1.0
        along = np.array([-across[1], across[0]])
        _, slope, height = np.polyfit(d @ along, d @ across, 2)
        at[i] = nodes.at[i] + height * across
        normal[i] = (across - slope * along) / np.hypot(1.0, slope)
    return _Nodes(at, normal)


def _joined(nodes: _Nodes, spacing: float) -> list[Index]:
    """Lines of nodes, each joined to the nearest ahead and behind that agrees with it."""
    n = len(nodes.at)
    ahead = np.column_stack([-nodes.normal[:, 1], nodes.normal[:, 0]])
    pairs = cKDTree(nodes.at).query_pairs(REACH * spacing, output_type="ndarray")
    a, b = np.concatenate([pairs, pairs[:, ::-1]]).T
    d = nodes.at[b] - nodes.at[a]
    length = np.maximum(np.linalg.norm(d, axis=1), 1e-12)
    turn = np.einsum("ij,ij->i", nodes.normal[a], nodes.normal[b])
    forward = np.einsum("ij,ij->i", d, ahead[a])
    good = (turn > ALIKE) & (np.abs(forward) > ALONG * length)
    best = np.full((n, 2), -1)
    order = np.lexsort((b, length))[::-1]
    for k in order[good[order]]:
        best[a[k], int(forward[k] > 0)] = b[k]
    links: list[set[int]] = [set() for _ in range(n)]
    for i, pair in enumerate(best.tolist()):
        for j in pair:
            if j >= 0 and i in best[j]:
                links[i].add(j)
                links[j].add(i)
    return _walks(links)


def _walks(links: list[set[int]]) -> list[Index]:
    """Every line of a graph whose nodes have at most two neighbours; a ring ends with its first node."""
    free = set(range(len(links)))
    lines = []
    for start in sorted(free, key=lambda i: (len(links[i]) == 2, i)):
        if start not in free or not links[start]:
            continue
        line = [start]
        free.discard(start)
        while step := [j for j in sorted(links[line[-1]]) if j in free]:
            line.append(step[0])
            free.discard(step[0])
        if len(line) > 2 and start in links[line[-1]]:
            line.append(start)
        lines.append(np.array(line))
    return lines


def _outside_right(line: Index, nodes: _Nodes) -> Array:
    at = nodes.at[line]
    d = at[1:] - at[:-1]
    right = d[:, 1] * nodes.normal[line[:-1], 0] - d[:, 0] * nodes.normal[line[:-1], 1]
    return at[::-1] if right.sum() < 0 else at


def outward(lines: list[Array], gap: float) -> list[Array]:
    """Lines (k, 2) at the distance `gap` mm to the right of lines, and nowhere nearer to any of them.

    Parallel to each piece, arcs about corners that stand out; what comes nearer than `gap` to another piece is cut
    off. A closed line ends with its first point.
    """
    step = min(gap / 8, 0.5)
    if not lines:
        return []
    tree = cKDTree(np.vstack([_sampled(line, min(step, 0.25)) for line in lines]))
    return [run for line in lines for run in _free_runs(_parallel(line, gap, step), tree, gap, step)]


def _sampled(line: Array, step: float) -> Array:
    parts = [line[:1]]
    for a, b in pairwise(line):
        count = max(1, int(np.ceil(np.linalg.norm(b - a) / step)))
        parts.append(a + np.linspace(0, 1, count + 1)[1:, None] * (b - a))
    return np.vstack(parts)


def _parallel(line: Array, gap: float, step: float) -> Array:
    """The line pushed to its right, with arcs at corners that open to the right."""
    line = line[np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > 1e-9])]
    d = np.diff(line, axis=0)
    heading = np.arctan2(d[:, 1], d[:, 0])
    closed = bool(np.array_equal(line[0], line[-1]))
    parts = []
    for i in range(len(d)):
        out = gap * np.array([np.sin(heading[i]), -np.cos(heading[i])])
        parts.append(_sampled(np.array([line[i], line[i + 1]]), step) + out)
        if i + 1 < len(d) or closed:
            turn = (heading[(i + 1) % len(d)] - heading[i] + np.pi) % (2 * np.pi) - np.pi
            if turn > 0:
                angles = heading[i] + np.linspace(0, turn, int(np.ceil(turn * gap / step)) + 1)[1:]
                parts.append(line[i + 1] + gap * np.column_stack([np.sin(angles), -np.cos(angles)]))
    around = np.vstack(parts) if parts else np.zeros((0, 2))
    return np.vstack([around, around[:1]]) if closed and len(around) else around


def _free_runs(around: Array, tree: cKDTree, gap: float, step: float) -> list[Array]:
    """The pieces that keep their distance, joined where two of them all but meet."""
    if not len(around):
        return []
    free = np.asarray(tree.query(around)[0] > gap - 0.02 * step)
    closed = bool(np.array_equal(around[0], around[-1]))
    if closed and free.all():
        return [around]
    cuts = np.flatnonzero(np.diff(free.astype(int))) + 1
    runs = [run for run, ok in zip(np.split(around, cuts), np.split(free, cuts)) if ok[0]]
    if closed and len(runs) > 1 and free[0]:
        runs = [np.vstack([runs[-1], runs[0]]), *runs[1:-1]]
    joined: list[Array] = []
    for run in runs:
        if joined and np.linalg.norm(joined[-1][-1] - run[0]) < 3 * step:
            joined[-1] = np.vstack([joined[-1], run])
        else:
            joined.append(run)
    if closed and len(joined) > 1 and np.linalg.norm(joined[-1][-1] - joined[0][0]) < 3 * step:
        joined = [np.vstack([joined[-1], joined[0]]), *joined[1:-1]]
    if closed and len(joined) == 1 and np.linalg.norm(joined[0][-1] - joined[0][0]) < 3 * step:
        joined = [np.vstack([joined[0], joined[0][:1]])]
    return [run for run in joined if len(run) > 2]
