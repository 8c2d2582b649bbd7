"""Ray casting on triangles: what a scanner can see."""

import numpy as np
from numpy.typing import NDArray

from barerail.libraries import open3d
from barerail.records import Array

STANDOFF_MM = 350.0
BASELINE = np.tan(np.radians(20.0))
STEEPEST = 0.25


class Rays:
    """Triangles to cast rays at."""

    def __init__(self, vertices: Array, triangles: NDArray[np.integer]) -> None:
        o3d = open3d()
        self._tensor = o3d.core.Tensor
        self._scene = o3d.t.geometry.RaycastingScene()
        self._scene.add_triangles(self._tensor(vertices.astype(np.float32)), self._tensor(triangles.astype(np.uint32)))

    def blocked(self, origins: Array, directions: Array, reach: float) -> NDArray[np.bool_]:
        """Whether anything lies between each origin and `reach` mm along its direction."""
        rays = np.hstack([origins, directions]).astype(np.float32)
        return self._scene.test_occlusions(self._tensor(rays), 0.02, reach).numpy().astype(bool)

    def hits(self, origins: Array, directions: Array) -> tuple[Array, Array]:
        """First hits: distance in lengths of each direction (inf for none) and the normals of the faces hit."""
        rays = np.hstack([origins, directions]).astype(np.float32)
        cast = self._scene.cast_rays(self._tensor(rays))
        return cast["t_hit"].numpy().astype(float), cast["primitive_normals"].numpy().astype(float)


def visible(rays: Rays, points: Array, normals: Array, rng: np.random.Generator, looks: int = 6) -> NDArray[np.bool_]:
    """Which surface points a hand-held triangulating scanner has seen after `looks` drawn looks at each.

    A point is seen in a look when projector and camera, 20 degrees apart and STANDOFF_MM away, both see it. So little
    is seen through a hole: its wall, the more the nearer to the rim.
    """
    seen = np.zeros(len(points), bool)
    left = np.arange(len(points))
    for _ in range(looks):
        p, n = points[left] + 0.02 * normals[left], normals[left]
        light, camera = _look(n, rng)
        clear = np.einsum("ij,ij->i", camera, n) > STEEPEST
        for way in (light, camera):
            at = np.flatnonzero(clear)
            clear[at] = ~rays.blocked(p[at], way[at], STANDOFF_MM)
        seen[left[clear]] = True
        left = left[~clear]
    return seen


def _look(normals: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Directions to the projector, within 70 degrees of the normal, and to the camera beside it."""
    n = len(normals)
    cos = rng.uniform(np.cos(np.radians(70.0)), 1.0, n)[:, None]
    light = cos * normals + np.sqrt(1 - cos**2) * _square_to(normals, rng)
    camera = light + BASELINE * _square_to(light, rng)
    return light, camera / np.linalg.norm(camera, axis=1)[:, None]


def _square_to(axis: Array, rng: np.random.Generator) -> Array:
    """A drawn unit vector square to each row."""
    v = np.cross(axis, rng.normal(size=axis.shape))
    return v / np.linalg.norm(v, axis=1)[:, None]
