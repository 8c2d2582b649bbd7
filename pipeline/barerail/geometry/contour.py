"""Level lines of a field on a grid, and lines joined from pieces: the outlines of drawings."""

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from barerail.records import Array, Index

# Corners of a cell: 0 (i, j), 1 (i + 1, j), 2 (i + 1, j + 1), 3 (i, j + 1); sides: 0 01, 1 12, 2 32, 3 03.
# For each case of corners above the level (bit k: corner k): sides from which to which, higher ground on the left.
_CASES: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((0, 3),), 2: ((1, 0),), 3: ((1, 3),), 4: ((2, 1),), 5: ((0, 3), (2, 1)), 6: ((2, 0),), 7: ((2, 3),),
    8: ((3, 2),), 9: ((0, 2),), 10: ((1, 0), (3, 2)), 11: ((1, 2),), 12: ((3, 1),), 13: ((0, 1),), 14: ((3, 0),),
}  # fmt: skip


def level_lines(field: Array, level: float, origin: Array, cell: float) -> list[Array]:
    """Lines (k, 2) where a field (n, m) on a grid crosses a level, mm, the higher ground on their left.

    field[i, j] stands at origin + cell (i, j). A closed line ends with its first point. Marching squares (Lorensen
    and Cline 1987 in two dimensions), linear between grid points.
    """
    above = field > level
    case = above[:-1, :-1] + 2 * above[1:, :-1] + 4 * above[1:, 1:] + 8 * above[:-1, 1:]
    ends: list[Index] = []
    for number, sides in _CASES.items():
        i, j = np.nonzero(case == number)
        ends += [np.stack([_side(i, j, a, field.shape), _side(i, j, b, field.shape)], axis=1) for a, b in sides]
    pairs = np.concatenate(ends) if ends else np.zeros((0, 2), np.int64)
    return [_places(line, field, level, origin, cell) for line in chains(pairs)]


def _side(i: Index, j: Index, side: int, shape: tuple[int, ...]) -> Index:
    """Number of a grid side: twice the number of its lower corner, plus one where it runs along j."""
    corner = (i + (side == 1)) * shape[1] + j + (side == 2)
    return 2 * corner + (side in (1, 3))


def _places(line: Index, field: Array, level: float, origin: Array, cell: float) -> Array:
    along_j = line % 2
    i, j = np.divmod(line // 2, field.shape[1])
    low, high = field[i, j], field[i + 1 - along_j, j + along_j]
    share = np.clip((level - low) / (high - low), 0.0, 1.0)
    return origin + cell * np.column_stack([i + share * (1 - along_j), j + share * along_j])


def chains(pairs: NDArray[np.integer]) -> list[Index]:
    """Nodes joined by directed pairs (n, 2) as lines, each pair once; a closed line ends with its first node.

    Open lines first, from their starts; in the order of the pairs.
    """
    after: dict[int, list[int]] = defaultdict(list)
    coming: dict[int, int] = defaultdict(int)
    for a, b in pairs.tolist():
        after[a].append(b)
        coming[b] += 1
    starts = [a for a in list(after) for _ in range(len(after[a]) - coming.get(a, 0))]
    lines = [_walk(a, after) for a in starts]
    for a in list(after):
        while after[a]:
            lines.append(_walk(a, after))
    return lines


def _walk(node: int, after: dict[int, list[int]]) -> Index:
    line = [node]
    while after.get(line[-1]):
        line.append(after[line[-1]].pop(0))
    return np.array(line, np.int64)


def simplified(line: Array, tolerance: float) -> Array:
    """`line` (k, 2) with the fewest of its points that keep it within `tolerance` mm (Douglas and Peucker 1973)."""
    if len(line) < 3:
        return line
    if np.array_equal(line[0], line[-1]):
        far = int(np.argmax(np.linalg.norm(line - line[0], axis=1)))
        return np.vstack([simplified(line[: far + 1], tolerance)[:-1], simplified(line[far:], tolerance)])
    keep = np.zeros(len(line), bool)
    keep[[0, -1]] = True
    todo = [(0, len(line) - 1)]
    while todo:
        a, b = todo.pop()
        if b - a < 2:
            continue
        off = off_segment(line[a + 1 : b], line[a], line[b])
        far = int(np.argmax(off))
        if off[far] > tolerance:
            keep[a + 1 + far] = True
            todo += [(a, a + 1 + far), (a + 1 + far, b)]
    return line[keep]


def off_segment(points: Array, a: Array, b: Array) -> Array:
    """Distances (k,) of points (k, 2) from the segment a to b."""
    d = b - a
    share = np.clip((points - a) @ d / max(float(d @ d), 1e-300), 0.0, 1.0)
    return np.linalg.norm(points - a - share[:, None] * d, axis=1)


def area_of(line: Array) -> float:
    """Signed area in mm2 of a closed line (k, 2): positive counter-clockwise."""
    x, y = line.T
    return float(0.5 * (x[:-1] * y[1:] - x[1:] * y[:-1]).sum())
