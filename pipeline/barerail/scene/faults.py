"""The faults of a scanner: smooth fields for correlated noise, drift and density, rounded edges, lost patches."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.records import Array

SHARP = np.cos(np.radians(30.0))
BEAD_MM = 0.5


class Field:
    """A smooth random field in space, variance 1, as a sum of cosines.

    `waves` (k, 3) in rad per mm: drawn from the spectrum of the covariance wanted (Rahimi and Recht 2007, Random
    features for large-scale kernel machines); a normal spectrum of 1 / length gives exp(-h^2 / 2 length^2).
    """

    def __init__(self, waves: Array, rng: np.random.Generator) -> None:
        self._waves = waves.astype(np.float32)
        self._phase = rng.uniform(0, 2 * np.pi, len(waves)).astype(np.float32)

    @classmethod
    def correlated(cls, length: float, rng: np.random.Generator, terms: int = 96) -> "Field":
        return cls(rng.normal(size=(terms, 3)) / length, rng)

    @classmethod
    def slow(cls, low: float, high: float, rng: np.random.Generator, terms: int = 8) -> "Field":
        """Wavelengths between low and high mm, in all directions."""
        way = rng.normal(size=(terms, 3))
        way /= np.linalg.norm(way, axis=1)[:, None]
        return cls(way * (2 * np.pi / rng.uniform(low, high, terms))[:, None], rng)

    def __call__(self, points: Array) -> Array:
        out = np.empty(len(points))
        for i in range(0, len(points), 65536):
            block = points[i : i + 65536].astype(np.float32)
            out[i : i + 65536] = np.cos(block @ self._waves.T + self._phase).sum(1)
        return out * np.sqrt(2 / len(self._waves))


class Drift:
    """Slow vector error of the scanner, `sd` mm per axis, wavelengths of 1.5 to 6 m."""

    def __init__(self, sd: float, rng: np.random.Generator) -> None:
        self._sd = sd
        self._fields = [Field.slow(1500.0, 6000.0, rng) for _ in range(3)]

    def __call__(self, points: Array) -> Array:
        return points + self._sd * np.column_stack([f(points) for f in self._fields])


def lost(points: Array, count: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Points inside `count` balls of 8 to 35 mm about drawn points: shiny or shadowed spots."""
    gone = np.zeros(len(points), bool)
    for centre, radius in zip(points[rng.integers(len(points), size=count)], rng.uniform(8, 35, count)):
        gone |= np.sum((points - centre) ** 2, axis=1) < radius**2
    return gone


def sharp_edges(vertices: Array, triangles: NDArray[np.integer]) -> tuple[Array, NDArray[np.bool_]]:
    """Edges that turn more than 30 degrees: ends (e, 2, 3), and whether each is convex."""
    corners = vertices[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1)
    normal /= np.maximum(size, 1e-12)[:, None]
    pair = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
    key = pair.min(1) * len(vertices) + pair.max(1)
    order = np.argsort(key, kind="stable").reshape(-1, 2)
    one, two = order[:, 0] // 3, order[:, 1] // 3
    sharp = (np.einsum("ij,ij->i", normal[one], normal[two]) < SHARP) & (np.minimum(size[one], size[two]) > 1e-3)
    one, two, edge = one[sharp], two[sharp], pair[order[sharp, 0]]
    ends = vertices[edge]
    rise = np.einsum("ij,ij->i", normal[one], corners[two].mean(1) - ends[:, 0])
    return ends, rise < 0


def round_edges(points: Array, normals: Array, ends: Array, radius: float, convex: bool) -> Array:
    """Points within `radius` of square edges moved on to a fillet of that radius (inwards where convex).

    A point d from the edge goes to the angle 45 deg (1 - d / radius) of the fillet, so the faces meet half way round.
    """
    if radius <= 0 or not len(ends):
        return points
    size = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    steps = np.maximum(1, np.ceil(size / BEAD_MM)).astype(int)
    edge = np.repeat(np.arange(len(ends)), steps)
    part = (np.arange(len(edge)) - np.repeat(np.cumsum(steps) - steps, steps) + 0.5) / steps[edge]
    beads = ends[edge, 0] + part[:, None] * (ends[edge, 1] - ends[edge, 0])
    near, bead = cKDTree(beads).query(points, distance_upper_bound=radius + BEAD_MM / 2, workers=-1)
    at = np.flatnonzero(np.isfinite(near))
    a, b = ends[edge[np.asarray(bead)[at]]].transpose(1, 0, 2)
    way, offset = b - a, points[at] - a
    share = np.clip(np.einsum("ij,ij->i", offset, way) / np.einsum("ij,ij->i", way, way), 0, 1)
    foot = a + share[:, None] * way
    off = points[at] - foot
    lift = np.einsum("ij,ij->i", off, normals[at])
    d = np.linalg.norm(off, axis=1)
    ok = (d < radius) & (d > 1e-6) & (np.abs(lift) < 0.05)
    at, foot, off, d = at[ok], foot[ok], off[ok], d[ok]
    turn = np.pi / 4 * (1 - d / radius)
    sign = -1.0 if convex else 1.0
    moved = points.copy()
    moved[at] = (
        foot
        + off * (radius * (1 - np.sin(turn)) / d)[:, None]
        + sign * normals[at] * (radius * (1 - np.cos(turn)))[:, None]
    )
    return moved
