"""Distance from points to a closed or open surface of triangles."""

import numpy as np
from numpy.typing import NDArray

from barerail.libraries import open3d
from barerail.records import Array


def closed(triangles: NDArray[np.integer]) -> bool:
    """Whether each edge of the triangles (t, 3) borders just two, so that they have an inside."""
    edges = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    return bool(len(edges)) and bool((np.unique(edges, axis=0, return_counts=True)[1] == 2).all())


class Solid:
    """Triangles (t, 3) over vertices (n, 3), mm; distances in float32 about their middle, good to 0.001 mm over 8 m."""

    def __init__(self, vertices: Array, triangles: NDArray[np.integer]) -> None:
        self.middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
        self.low, self.high = vertices.min(axis=0), vertices.max(axis=0)
        self.closed = closed(triangles)
        self._tensor = open3d().core.Tensor
        self._scene = open3d().t.geometry.RaycastingScene()
        corners = (vertices - self.middle).astype(np.float32)
        self._scene.add_triangles(self._tensor(corners), self._tensor(triangles.astype(np.uint32)))

    def box_distance(self, points: Array) -> Array:
        """Distance (n,) of points (n, 3) to the box around the solid: never more than to the solid itself."""
        return np.linalg.norm(np.maximum(np.maximum(self.low - points, points - self.high), 0.0), axis=1)

    def nearest(self, points: Array) -> tuple[Array, Array]:
        """Nearest place (n, 3) of the surface to each point (n, 3), and its distance (n,), below 0 inside."""
        asked = self._tensor((points - self.middle).astype(np.float32))
        at = self._scene.compute_closest_points(asked)["points"].numpy().astype(float) + self.middle
        distance = np.linalg.norm(points - at, axis=1)
        if self.closed and len(points):
            inside = self._scene.compute_occupancy(asked, nsamples=3).numpy() > 0.5
            distance = np.where(inside, -distance, distance)
        return at, distance
