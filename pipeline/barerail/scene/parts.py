"""Solids and the marks on them, in car axes (x forward, y left, z up), mm.

A `Mark` is the truth of one feature. A `Part` is what to weld on, what to drill away and the marks that go with it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from manifold3d import Manifold, Mesh64, OpType, triangulate

from barerail.records import Array

MIRROR = np.array([1.0, -1.0, 1.0])
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class Mark:
    """One feature. points: further points (p0, p1, path); directions: further unit vectors; values: the rest."""

    kind: str
    name: str
    p: Array
    axis: Array
    d: float
    points: Mapping[str, Array] = field(default_factory=dict)
    directions: Mapping[str, Array] = field(default_factory=dict)
    values: Mapping[str, Any] = field(default_factory=dict)

    def mirrored(self) -> "Mark":
        """The partner on the right: `-L` or `0L` at the end of the name becomes R."""
        return replace(
            self,
            name=self.name[:-1] + "R" if self.name.endswith("L") else self.name,
            p=self.p * MIRROR,
            axis=self.axis * MIRROR,
            points={k: v * MIRROR for k, v in self.points.items()},
            directions={k: v * MIRROR for k, v in self.directions.items()},
        )

    def led(self) -> "Mark":
        """A hole seen on both faces is given on the one whose normal's largest component is positive."""
        if "thickness" not in self.values or self.axis[np.argmax(np.abs(self.axis))] > 0:
            return self
        return replace(self, p=self.p - self.axis * self.values["thickness"], axis=-self.axis)


@dataclass(frozen=True, eq=False)
class Part:
    """Solids to add, solids to drill away afterwards, and marks."""

    add: tuple[Manifold, ...] = ()
    cut: tuple[Manifold, ...] = ()
    marks: tuple[Mark, ...] = ()

    def __add__(self, other: "Part") -> "Part":
        return Part(self.add + other.add, self.cut + other.cut, self.marks + other.marks)

    def mirrored(self) -> "Part":
        return Part(
            tuple(s.mirror((0, 1, 0)) for s in self.add),
            tuple(s.mirror((0, 1, 0)) for s in self.cut),
            tuple(m.mirrored() for m in self.marks),
        )

    def solid(self) -> Manifold:
        whole = Manifold.batch_boolean(list(self.add), OpType.Add)
        return whole - Manifold.batch_boolean(list(self.cut), OpType.Add) if self.cut else whole


def unit(v: Array) -> Array:
    return v / np.linalg.norm(v)


def across(axis: Array) -> Array:
    """Rows (x, y, axis): a right-handed base with the given unit z."""
    x = unit(np.cross([0.0, 1.0, 0.0] if abs(axis[0]) > 0.9 else [1.0, 0.0, 0.0], axis))
    return np.vstack([x, np.cross(axis, x), axis])


def place(solid: Manifold, origin: Array, axes: Array) -> Manifold:
    """Move a solid made in its own axes so that they become the rows of `axes` (3, 3) at `origin` (3,)."""
    return solid.transform(np.column_stack([axes.T, origin]))


def facets(radius: float) -> int:
    """Sides of a polygon that is nowhere further than 0.01 mm from the circle."""
    return int(np.ceil(np.pi / np.sqrt(0.02 / radius) / 4)) * 4


def even(radius: float) -> float:
    """Radius to corners of the polygon with the area of the circle, so that points on it have no radial bias."""
    turn = 2 * np.pi / facets(radius)
    return radius * float(np.sqrt(turn / np.sin(turn)))


def cylinder(p0: Array, p1: Array, radius: float) -> Manifold:
    height = float(np.linalg.norm(p1 - p0))
    rod = Manifold.cylinder(height, even(radius), even(radius), facets(radius))
    return place(rod, p0, across((p1 - p0) / height))


def box(centre: Array, axes: Array, size: tuple[float, float, float]) -> Manifold:
    return place(Manifold.cube(size, True), centre, axes)


def round_rectangle(w: float, h: float, r: float, steps: int = 10) -> Array:
    """Outline (n, 2) of w by h with corner radius r, anticlockwise."""
    a = np.linspace(0, np.pi / 2, steps + 1)
    arc = r * np.column_stack([np.cos(a), np.sin(a)])
    turns = [np.array([[c, s], [-s, c]]) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    middle = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * [w / 2 - r, h / 2 - r]
    return np.vstack([arc @ t + m for t, m in zip(turns, middle)])


def circle(radius: float) -> Array:
    a = 2 * np.pi * np.arange(facets(radius)) / facets(radius)
    return even(radius) * np.column_stack([np.cos(a), np.sin(a)])


def frames(path: Array) -> tuple[Array, Array, Array]:
    """Along, left and up of each piece of a path (k, 3): left is level, so that a section never rolls."""
    along = np.diff(path, axis=0)
    along /= np.linalg.norm(along, axis=1)[:, None]
    level = np.where(np.abs(along[:, 2:]) > 0.99, [[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]])
    left = np.cross(level, along)
    left /= np.linalg.norm(left, axis=1)[:, None]
    return along, left, np.cross(along, left)


def sweep(outline: Array, path: Array) -> Manifold:
    """Solid with the section `outline` (n, 2: left, up) along a path (k, 3), mitred where it bends."""
    along, left, up = frames(path)
    ahead = np.vstack([along, along[-1]])
    mitre = np.vstack([along[0], along]) + ahead
    piece = np.minimum(np.arange(len(path)), len(along) - 1)
    ring = outline[:, :1] * left[piece, None] + outline[:, 1:] * up[piece, None]
    slip = np.einsum("knj,kj->kn", ring, mitre) / np.einsum("kj,kj->k", ahead, mitre)[:, None]
    ring = ring - slip[:, :, None] * ahead[:, None] + path[:, None]
    k, n = ring.shape[:2]
    i = np.arange(n)
    quad = np.stack([i, (i + 1) % n, n + i, n + (i + 1) % n], 1)[None] + n * np.arange(k - 1)[:, None, None]
    side = np.concatenate([quad[..., [0, 1, 3]], quad[..., [0, 3, 2]]]).reshape(-1, 3)
    cap = triangulate([outline])
    faces = np.concatenate([side, cap[:, ::-1], cap + n * (k - 1)])
    return Manifold(Mesh64(ring.reshape(-1, 3), np.ascontiguousarray(faces, np.uint64)))
