"""A point-cloud scanner: draws points on the surfaces, keeps those it can see, and adds its faults."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from manifold3d import Manifold
from numpy.typing import NDArray

from barerail.records import Array
from barerail.scene.case import SceneCase
from barerail.scene.faults import Field, lost, round_edges, sharp_edges
from barerail.scene.rays import Rays, visible


@dataclass(frozen=True, eq=False)
class Surface:
    """Triangles of one solid in car axes. share: its point density as a share of the chassis's."""

    vertices: Array
    triangles: NDArray[np.int64]
    share: float = 1.0
    symmetric: bool = False

    @classmethod
    def of(cls, solid: Manifold, longest: float = 0.0, symmetric: bool = False) -> "Surface":
        """The surface of a solid; `longest` mm: edges are split so that a bend moves the faces too."""
        mesh = (solid.refine_to_length(longest) if longest else solid).to_mesh64()
        vertices = np.asarray(mesh.vert_properties)[:, :3]
        return cls(vertices, np.asarray(mesh.tri_verts).astype(np.int64), 1.0, symmetric)

    def within(self, window: tuple[float, float]) -> "Surface":
        """Only the triangles whose middle has x in the window."""
        x = self.vertices[self.triangles, 0].mean(1)
        return replace(self, triangles=self.triangles[(x >= window[0]) & (x <= window[1])])


@dataclass(frozen=True, eq=False)
class Sampled:
    """Seen surface points as designed, car axes, without noise: points, normals (n, 3), and which mirror."""

    points: Array
    normals: Array
    symmetric: NDArray[np.bool_]


def joined(surfaces: list[Surface]) -> tuple[Array, NDArray[np.int64]]:
    """All vertices and triangles in one."""
    start = np.cumsum([0, *(len(s.vertices) for s in surfaces)])
    triangles = [s.triangles + first for s, first in zip(surfaces, start)]
    return np.vstack([s.vertices for s in surfaces]), np.vstack(triangles)


def sample(case: SceneCase, surfaces: list[Surface], rng: np.random.Generator) -> Sampled:
    """Seen points at the case's spacing, uneven, with rounded edges and patches lost."""
    density = Field.slow(250.0, 900.0, rng)
    drawn = [points_on(case, s, density, rng) for s in surfaces]
    points, normals = (np.vstack(v) for v in zip(*drawn))
    symmetric = np.repeat([s.symmetric for s in surfaces], [len(p) for p, _ in drawn])
    seen = visible(Rays(*joined(surfaces)), points, normals, rng)
    points, normals, symmetric = points[seen], normals[seen], symmetric[seen]
    edges = [sharp_edges(s.vertices, s.triangles) for s in surfaces]
    ends, convex = np.vstack([e for e, _ in edges]), np.concatenate([c for _, c in edges])
    points = round_edges(points, normals, ends[~convex], case.weld_mm, convex=False)
    points = round_edges(points, normals, ends[convex], case.edge_mm, convex=True)
    kept = ~lost(points, case.patches, rng)
    return Sampled(points[kept], normals[kept], symmetric[kept])


def points_on(case: SceneCase, surface: Surface, density: Field, rng: np.random.Generator) -> tuple[Array, Array]:
    """Points evenly drawn on the triangles, thinned by the density field, within the window; and their normals."""
    corner = surface.vertices[surface.triangles]
    a, b = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    normal = np.cross(a, b)
    area = np.linalg.norm(normal, axis=1) / 2
    total = np.cumsum(area)
    peak = np.sqrt(case.uneven)
    count = int(total[-1] * surface.share * peak / case.spacing_mm**2)
    face = np.searchsorted(total, np.sort(rng.uniform(0, total[-1], count)))
    u, v = rng.uniform(size=(2, count, 1))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    points = corner[face, 0] + u * a[face] + v * b[face]
    keep = rng.uniform(size=count) < case.uneven ** (0.5 * np.tanh(1.2 * density(points)) - 0.5)
    if case.window_mm is not None:
        keep &= (points[:, 0] >= case.window_mm[0]) & (points[:, 0] <= case.window_mm[1])
    return points[keep], normal[face[keep]] / (2 * area[face[keep], None])


def noisy(
    case: SceneCase, cloud: Sampled, seen: Callable[[Array], Array], turn: Array, rng: np.random.Generator
) -> Array:
    """The points as scanned, scan axes mm: moved by `seen`, with correlated noise along the normal and white noise."""
    field = Field.correlated(case.corr_length_mm, rng)
    along = case.corr_mm * field(cloud.points)
    out = seen(cloud.points) + along[:, None] * (cloud.normals @ turn.T)
    return out + case.sigma_mm * rng.normal(size=out.shape)
