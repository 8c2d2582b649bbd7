"""Hole patterns in a plane: rows, squares, rectangles and grids with one pitch each way, and bolt circles."""

import cmath
import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import takewhile
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.records import Array, Index

OFF_MM = 2.0
"""A hole is part of a pattern where it lies this near to its ideal place (judgement: hand-drilled)."""
LOOK_MM = 2 * OFF_MM
THREE_MM = 0.7
"""The same where there are three holes only: as many scattered ones often stand nearly so."""
NEIGHBOURS = 8
RINGS = {n: [cmath.exp(2j * cmath.pi * k / n) for k in range(n)] for n in (3, 5, 6, 8, 10, 12)}
"""Holes of a bolt circle, each as its direction from the centre; four are a square."""

Complex = NDArray[np.complexfloating]


class Pattern(NamedTuple):
    """Holes `rows` (k,) of a pattern, and their ideal places in it.

    node (k,): column + row j of a grid, both counted from 0; of a ring the hole's direction from its centre.
    """

    shape: str
    rows: Index
    node: Complex


class Ideal(NamedTuple):
    """A pattern fitted to its holes: lengths mm, `off` (k,) what each hole is off its ideal place, in the plane.

    pitch: along and across; circle: diameter, with two columns and two rows of one pitch that of the corners; lean:
    rad by which the angle between columns and rows is more than square. nan where a shape has none. by_*: derivative
    by each hole's place (k,), x + j y.
    """

    off: Complex
    pitch: tuple[float, float]
    circle: float
    lean: float
    by_pitch: tuple[Complex, Complex]
    by_circle: Complex
    by_lean: Complex


def find_patterns(at: Array, alike: NDArray[np.bool_], furthest: float) -> list[Pattern]:
    """Patterns among holes at (n, 2) mm in one plane, of which `alike` (n, n) may belong together.

    Neighbours lie at most `furthest` mm apart. A hole is in one pattern: the one with most holes; of as many a ring
    before a row before a grid, then the one that fits best.
    """
    look = _Look(at[:, 0] + 1j * at[:, 1], alike, furthest)
    found = {(p.shape, *sorted(p.rows)): p for p in look.candidates()}
    ranked = sorted((look.rank(p), key) for key, p in found.items() if look.fits(p))
    kept, taken = [], set[int]()
    for _, key in ranked:
        rows = set(found[key].rows.tolist())
        if not rows & taken:
            kept.append(found[key])
            taken |= rows
    return kept


def ideal(pattern: Pattern, z: Complex) -> Ideal:
    """The pattern's ideal fitted to its holes at z (k,), x + j y: least squares."""
    return _ring(pattern.node, z) if pattern.shape == "bolt-circle" else _grid(pattern, z)


class _Look:
    def __init__(self, z: Complex, alike: NDArray[np.bool_], furthest: float) -> None:
        self.z, self.alike = z.tolist(), alike
        self.cells: dict[tuple[int, int], list[int]] = defaultdict(list)
        for i, place in enumerate(self.z):
            self.cells[_cell(place)].append(i)
        flat = np.column_stack([z.real, z.imag])
        count = min(NEIGHBOURS + 1, len(z))
        tree = cKDTree(flat)
        distance, near = map(np.asarray, tree.query(flat, count, distance_upper_bound=furthest))
        self.near = [
            [int(j) for d, j in zip(ds, js) if LOOK_MM < d < np.inf and alike[i, j]]
            for i, (ds, js) in enumerate(zip(distance, near))
        ]
        self.steps = [(i, j) for i, js in enumerate(self.near) for j in js]
        self.third = _third(z, self.steps, tree)

    def of(self, p: Pattern) -> Ideal:
        return ideal(p, np.array([self.z[i] for i in p.rows]))

    def candidates(self) -> Iterator[Pattern]:
        for (i, j), third in zip(self.steps, self.third):
            yield from self._grids(i, j)
            yield from self._rings(i, j, third)

    def rank(self, p: Pattern) -> tuple[int, int, float]:
        order = ("bolt-circle", "row", "square", "rectangle", "grid").index(p.shape)
        return -len(p.rows), order, round(float(np.abs(self.of(p).off).max()), 6)

    def fits(self, p: Pattern) -> bool:
        return bool(np.abs(self.of(p).off).max() <= (OFF_MM if len(p.rows) > 3 else THREE_MM))

    def _at(self, place: complex, like: int) -> int:
        """The hole at a place, -1 for none."""
        x, y = _cell(place)
        around = (k for i in (x - 1, x, x + 1) for j in (y - 1, y, y + 1) for k in self.cells.get((i, j), ()))
        found = [(abs(self.z[k] - place), k) for k in around if self.alike[like, k]]
        distance, nearest = min(found, default=(np.inf, -1))
        return nearest if distance <= LOOK_MM else -1

    def _run(self, i: int, step: complex) -> list[int]:
        """Holes from i on, one a step; the step is made finer as it goes."""
        run, start = [i], self.z[i]
        while (k := self._at(start + len(run) * step, i)) >= 0 and k not in run:
            run.append(k)
            step = (self.z[k] - start) / (len(run) - 1)
        return run

    def _grids(self, i: int, j: int) -> Iterator[Pattern]:
        """The row from i by j, and the grids that it is the first row of, where no hole goes before i."""
        step = self.z[j] - self.z[i]
        if self._at(self.z[i] - step, i) >= 0:
            return
        first = self._run(i, step)
        if len(first) >= 3:
            yield Pattern("row", np.array(first), np.arange(len(first)) + 0j)
        for k in self.near[i]:
            across = self.z[k] - self.z[i]
            if abs((across / step).imag) * abs(step) < LOOK_MM or abs((across / step).real) * abs(step) > LOOK_MM:
                continue
            if self._at(self.z[i] - across, i) >= 0:
                continue
            lines = [self._run(start, step) for start in self._run(i, across)]
            width = min(map(len, lines))
            if width >= 2:
                yield self._grid(lines, width)

    def _grid(self, lines: list[list[int]], width: int) -> Pattern:
        b, a = np.indices((len(lines), width)).reshape(2, -1)
        rows = np.array([line[:width] for line in lines]).ravel()
        made = Pattern("grid", rows, a + 1j * b)
        if len(rows) > 4:
            return made
        along, across = self.of(made).pitch
        return made._replace(shape="square" if abs(along - across) <= OFF_MM else "rectangle")

    def _rings(self, i: int, j: int, third: Sequence[bool]) -> Iterator[Pattern]:
        """Rings on which j follows i, counted to the left; third: of each of RINGS, whether a hole is there."""
        for (count, node), there in zip(RINGS.items(), third):
            if not there:
                continue
            centre = (self.z[j] - node[1] * self.z[i]) / (1 - node[1])
            found = (self._at(centre + (self.z[i] - centre) * n, i) for n in node[2:])
            rows = [i, j, *takewhile(lambda k: k >= 0, found)]
            if len(set(rows)) == count:
                yield Pattern("bolt-circle", np.array(rows), np.array(node))


def _third(z: Complex, steps: Sequence[tuple[int, int]], tree: cKDTree) -> list[list[bool]]:
    """For each step from a hole to the next, by ring of RINGS, whether any hole lies at the ring's third place."""
    i, j = np.array(steps, int).reshape(-1, 2).T
    node = np.array([n[:3] for n in RINGS.values()])
    centre = (z[j, None] - node[:, 1] * z[i, None]) / (1 - node[:, 1])
    place = centre + (z[i, None] - centre) * node[:, 2]
    flat = np.stack([place.real, place.imag], axis=-1)
    distance, _ = tree.query(flat, distance_upper_bound=LOOK_MM + 1e-6)
    found: list[list[bool]] = np.isfinite(distance).tolist()
    return found


def _ring(node: Complex, z: Complex) -> Ideal:
    """z = centre + r node, r complex: linear least squares; the nodes sum to 0, so r = sum(conj(node) z) / n."""
    n = len(z)
    r = np.vdot(node, z) / n
    none = np.full(n, np.nan + 0j)
    by_circle = 2 * node * r / abs(r) / n
    nan = float("nan")
    return Ideal(z - z.mean() - r * node, (nan, nan), 2 * float(abs(r)), nan, (none, none), by_circle, none)


def _grid(pattern: Pattern, z: Complex) -> Ideal:
    """z = origin + a U + b V with a, b the grid's columns and rows about their means; square: V = j U Q / P.

    U = sum(a z) / sum(a a), V alike, for a full grid has sum(a b) = 0. The direction t of the square grid is the
    least squares one: t^2 goes with sum(a a) U^2 - sum(b b) V^2.
    """
    node = pattern.node - pattern.node.mean()
    a, b = node.real, node.imag
    wide, high = float(a @ a), float(b @ b)
    u, v = a @ z / wide, (b @ z / high if high else 0j)
    t = np.sqrt(wide * u**2 - high * v**2)
    t = t / abs(t) * (1 if (u / t).real > 0 else -1)
    hand = 1j if (v / t).imag >= 0 else -1j
    pitch = (float((u / t).real), float((v / (hand * t)).real) if high else float("nan"))
    off = z - z.mean() - t * (a * pitch[0] + (hand * b * pitch[1] if high else 0))
    none, nan = np.full(len(z), np.nan + 0j), float("nan")
    by_pitch = (t * a / wide + 0j, hand * t * b / high if high else none)
    if not high:
        return Ideal(off, pitch, nan, nan, by_pitch, none, none)
    lean = float(np.angle(v / u * -hand) / hand.imag)
    by_lean = (1j * v / abs(v) ** 2 * b / high - 1j * u / abs(u) ** 2 * a / wide) / hand.imag
    square = pattern.shape == "square"
    circle = float(np.sqrt(2) * np.mean(pitch)) if square else nan
    return Ideal(
        off, pitch, circle, lean, by_pitch, (by_pitch[0] + by_pitch[1]) / np.sqrt(2) if square else none, by_lean
    )


def _cell(place: complex) -> tuple[int, int]:
    return math.floor(place.real / LOOK_MM), math.floor(place.imag / LOOK_MM)
