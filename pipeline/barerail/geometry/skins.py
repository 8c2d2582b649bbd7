"""Surfaces that can be laid out flat, to look for gaps in them: a flat face, and the outside of a round tube."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.frames import basis, direction, invert, mirror, transform, unit
from barerail.geometry.neighbours import Blocks, blocks_of
from barerail.records import Array, CleanScan, Frozen, Index

LEVEL_MM = 1.0
ALIKE = 0.9
"""Cosine of a normal to a surface's from which a point lies on it."""
OFF_ROUND = 0.02
"""How much further off a tube's surface a point may lie, as a share of its radius."""


@dataclass(frozen=True, eq=False)
class Shell:
    """The thinned points of a scan, with what finds those near a place."""

    points: Array
    normals: Array
    voxel: float
    tree: cKDTree
    blocks: Blocks

    @classmethod
    def of(cls, clean: CleanScan) -> "Shell":
        tree, blocks = cKDTree(clean.thin), blocks_of(clean.thin)
        return cls(clean.thin, clean.normals, clean.voxel_mm, tree, blocks)

    def mirrored(self, car: Array) -> "Shell":
        """The other side of the car laid over this one: mirrored in y = 0 of car axes; car (4, 4): car from here."""
        flip = invert(car) @ mirror([0.0, 1.0, 0.0], 0.0) @ car
        points = transform(flip, self.points)
        return Shell(points, direction(flip, self.normals), self.voxel, cKDTree(points), blocks_of(points))

    @property
    def reach(self) -> float:
        """How far off a surface a point of it may lie, mm."""
        return max(LEVEL_MM, 0.5 * self.voxel)


@dataclass(frozen=True, eq=False)
class Face(Frozen):
    """A flat face: its centre, axes (3, 3) rows u, v, n, n outward where the scan tells, and its rows of the scan."""

    centre: Array
    axes: Array
    members: Index

    def flat(self, points: Array) -> tuple[Array, Array]:
        """Places (n, 2) on the face as it is laid out, and how far above it (n,) points (n, 3) lie, mm."""
        local = (points - self.centre) @ self.axes.T
        return local[:, :2], local[:, 2]

    def place(self, flat: Array) -> Array:
        """Points (n, 3) of places (n, 2)."""
        return self.centre + flat @ self.axes[:2]

    def frames(self, flat: Array) -> Array:
        """Axes (n, 3, 3) at places (n, 2): rows are both ways of the layout, then outward."""
        return np.broadcast_to(self.axes, (len(flat), 3, 3))

    def level(self, shell: Shell, margin: float, among: Shell | None = None, reach: float | None = None) -> Index:
        """Rows of the scan, or `among` another, on the face: up to `margin` mm beyond its own, `reach` mm off it."""
        own = (shell.points[self.members] - self.centre) @ self.axes.T
        pad = np.array([margin, margin, 0.0])
        low, high = own.min(0) - pad, own.max(0) + pad
        scan = among or shell
        block = (scan.blocks.cells.mean - self.centre) @ self.axes.T
        near = scan.blocks.within(np.linalg.norm(block - np.clip(block, low, high), axis=1), 0.0)
        flat, off = self.flat(scan.points[near])
        inside = ((flat > low[:2]) & (flat < high[:2])).all(1)
        alike = scan.normals[near] @ self.axes[2] > ALIKE
        return near[alike & inside & (np.abs(off) < (reach or shell.reach))]


@dataclass(frozen=True, eq=False)
class Tube(Frozen):
    """The outside of a round tube along a path (k, 3) that is straight or nearly so, from end to end."""

    path: Array
    radius: float

    @property
    def length(self) -> float:
        return float(np.linalg.norm(self.path[-1] - self.path[0]))

    @property
    def area_mm2(self) -> float:
        return 2 * np.pi * self.radius * self.length

    @property
    def _ways(self) -> Array:
        return np.roll(basis(unit(self.path[-1] - self.path[0])), 1, axis=0)

    def flat(self, points: Array) -> tuple[Array, Array]:
        """Along the tube and round it (n, 2), -half to half a lap, and how far outside it (n,) points lie, mm."""
        ways = self._ways
        local = (points - self.path[0]) @ ways.T
        across = local[:, 1:] - self._bow(local[:, 0], ways)
        turn = np.arctan2(across[:, 1], across[:, 0])
        return np.column_stack([local[:, 0], self.radius * turn]), np.linalg.norm(across, axis=1) - self.radius

    def place(self, flat: Array) -> Array:
        """Points (n, 3) of places (n, 2), any number of laps round."""
        ways, turn = self._ways, flat[:, 1] / self.radius
        ring = self.radius * np.column_stack([np.cos(turn), np.sin(turn)])
        return self.path[0] + np.column_stack([flat[:, 0], ring + self._bow(flat[:, 0], ways)]) @ ways

    def frames(self, flat: Array) -> Array:
        """Axes (n, 3, 3) at places (n, 2): rows along, round and outward."""
        (along, u, v), turn = self._ways, flat[:, 1:] / self.radius
        out = np.cos(turn) * u + np.sin(turn) * v
        return np.stack([np.broadcast_to(along, out.shape), np.cos(turn) * v - np.sin(turn) * u, out], axis=1)

    def level(self, shell: Shell) -> Index:
        """Rows of the scan on the tube, between its ends, facing out."""
        reach = shell.reach + OFF_ROUND * self.radius
        flat, off = self.flat(shell.blocks.cells.mean)
        beyond = np.abs(flat[:, 0] - np.clip(flat[:, 0], 0, self.length))
        near = shell.blocks.within(np.hypot(np.maximum(off, 0.0), beyond), reach)
        flat, off = self.flat(shell.points[near])
        turn = np.einsum("ij,ij->i", shell.normals[near], self.frames(flat)[:, 2])
        return near[(turn > ALIKE) & (np.abs(off) < reach) & (flat[:, 0] >= 0) & (flat[:, 0] <= self.length)]

    def _bow(self, along: Array, ways: Array) -> Array:
        """How far (n, 2) the centreline lies off the straight line between its ends."""
        local = (self.path - self.path[0]) @ ways.T
        return np.column_stack([np.interp(along, local[:, 0], local[:, k]) for k in (1, 2)])
