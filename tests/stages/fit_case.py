"""Scans of sheets, box rails and tubes whose every number is known: even random points on their faces, with noise."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import basis
from barerail.records import Array, Scan, Source

Hole = tuple[float, float, float]
"""x, y and radius in the frame of its face, mm."""


@dataclass(frozen=True)
class Points:
    """Points (n, 3) and their outward normals (n, 3)."""

    at: Array
    out: Array

    def __add__(self, other: "Points") -> "Points":
        return Points(np.vstack([self.at, other.at]), np.vstack([self.out, other.out]))

    def placed(self, turn: Array, shift: Sequence[float]) -> "Points":
        """Turned, then shifted."""
        return Points(self.at @ turn.T + np.asarray(shift), self.out @ turn.T)


@dataclass(frozen=True)
class Scanner:
    """Draws the points: on average one per spacing**2 (mm), noise (mm, one sd) in every direction."""

    rng: np.random.Generator
    spacing: float = 2.0
    noise: float = 0.08

    def count(self, area: float) -> int:
        return int(self.rng.poisson(area / self.spacing**2))

    def flat(self, size: tuple[float, float], z: float = 0.0, up: bool = True, holes: Sequence[Hole] = ()) -> Points:
        """A rectangle about (0, 0, z), its normal along +z or -z, with round holes."""
        xy = (self.rng.random((self.count(size[0] * size[1]), 2)) - 0.5) * size
        for x, y, r in holes:
            xy = xy[np.hypot(xy[:, 0] - x, xy[:, 1] - y) > r]
        return Points(np.column_stack([xy, np.full(len(xy), z)]), np.tile([0, 0, 1.0 if up else -1.0], (len(xy), 1)))

    def wall(self, hole: Hole, low: float, high: float, outside: bool = False) -> Points:
        """The wall of a round hole, or the outside of a round bar, along z from low to high."""
        x, y, r = hole
        n = self.count(2 * np.pi * r * (high - low))
        turn, z = self.rng.uniform(0, 2 * np.pi, n), self.rng.uniform(low, high, n)
        way = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(n)])
        return Points(way * [r, r, 0] + np.column_stack([np.full(n, x), np.full(n, y), z]), way if outside else -way)

    def corner(self, radius: float, length: float) -> Points:
        """A quarter of a round bar about z, facing +x and +y."""
        n = self.count(np.pi / 2 * radius * length)
        turn, z = self.rng.uniform(0, np.pi / 2, n), length * (self.rng.random(n) - 0.5)
        way = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(n)])
        return Points(radius * way + np.column_stack([np.zeros((n, 2)), z]), way)

    def sheet(self, size: tuple[float, float], thickness: float, holes: Sequence[Hole] = ()) -> Points:
        """A sheet with its upper face at z = 0, both faces and its border seen."""
        out = self.flat(size, 0.0, True, holes) + self.flat(size, -thickness, False, holes)
        for hole in holes:
            out += self.wall(hole, -thickness, 0.0)
        for k, half in enumerate(size):
            for sign in (1.0, -1.0):
                edge = self.flat((size[1 - k], thickness))
                turn = np.array([[0, 0, sign], [1.0, 0, 0], [0, sign, 0]])
                turn = turn if k == 0 else turn[[1, 0, 2]] * [[1], [1], [-1]]
                at = [0.0, 0.0, -thickness / 2]
                at[k] = sign * half / 2
                out += edge.placed(turn, at)
        return out

    def box(self, length: float, width: float, height: float, radius: float, top: Sequence[Hole] = ()) -> Points:
        """A box rail along x about 0: width along y, height along z, rounded corners, holes 3 mm deep in its top."""
        out = self.flat((length, width - 2 * radius), height / 2, True, top)
        out += self.flat((length, width - 2 * radius), -height / 2, False)
        for hole in top:
            out += self.wall(hole, height / 2 - 3.0, height / 2)
        for sign in (1.0, -1.0):
            side = self.flat((length, height - 2 * radius))
            turn = np.array([[1.0, 0, 0], [0, 0, sign], [0, -sign, 0]])
            out += side.placed(turn, [0, sign * width / 2, 0])
        for y in (1.0, -1.0):
            for z in (1.0, -1.0):
                corner = self.corner(radius, length)
                turn = np.array([[0, 0, y * z], [y, 0, 0], [0, z, 0]])
                out += corner.placed(turn, [0, y * (width / 2 - radius), z * (height / 2 - radius)])
        return out

    def sleeve(self, outside: float, bore: float, length: float) -> Points:
        """A bushing tube along z about 0: outside, bore and both end faces."""
        half, hole = length / 2, [(0.0, 0.0, bore / 2)]
        out = self.wall((0, 0, outside / 2), -half, half, True) + self.wall(hole[0], -half, half)
        for z, up in ((half, True), (-half, False)):
            end = self.flat((outside, outside), z, up, hole)
            keep = np.hypot(end.at[:, 0], end.at[:, 1]) < outside / 2
            out += Points(end.at[keep], end.out[keep])
        return out

    def tabs(self, gap: float, thickness: float, hole: float, size: float) -> Points:
        """Two square sheets across z, their inner faces `gap` apart about 0, a hole through both."""
        tab = self.sheet((size, size), thickness, [(0, 0, hole / 2)])
        other = tab.placed(np.diag([1.0, -1.0, -1.0]), [0, 0, gap / 2])
        fresh = self.sheet((size, size), thickness, [(0, 0, hole / 2)])
        return other + fresh.placed(np.eye(3), [0, 0, -gap / 2])

    def scan(self, points: Points, normals: bool = True) -> Scan:
        """What a reader would give, noise added."""
        at = points.at + self.noise * self.rng.standard_normal(points.at.shape)
        return as_scan(at, points.out.astype(np.float32) if normals else None)


def as_scan(points: Array, normals: np.ndarray | None = None) -> Scan:
    source = Source("hand-made", "0" * 64, 0, (0, len(points)), np.eye(4))
    return Scan(points, normals, None, "mm", 1.0, False, (source,))


def across(axis: Sequence[float]) -> Array:
    """Turn (3, 3) that takes z to `axis`."""
    return basis(np.asarray(axis, float)).T
