"""How one scan may be turned to lie like another, from the directions of their surfaces alone.

The normals of a surface, seen as a density on the sphere, don't care where the surface lies (Horn 1984, Extended
Gaussian images, Proc. IEEE 72:1671-1686). Every turn on a grid over all rotations is scored by how the two densities
agree; the best ones are made finer. Nothing is drawn at random.
"""

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from barerail.geometry.frames import from_rotation_vector
from barerail.geometry.registration.surface import Surface
from barerail.records import Array

GRID_DEG = 6.0
COARSE_DEG, FINE_DEG = 7.0, 2.5
APART_DEG = 8.0
DIRECTIONS = 3000


def turns(target: Surface, moving: Surface, most: int) -> Array:
    """Rotations (k, 3, 3) of `moving` that make its normals agree with `target`'s, the best first, at most `most`."""
    both = target.oriented and moving.oriented
    coarse, fine = (_Sphere(target, np.radians(width), both) for width in (COARSE_DEG, FINE_DEG))
    way, weight = _directions(moving)
    grid = _grid(np.radians(GRID_DEG))
    score = coarse.agreement(grid.as_matrix(), way, weight)
    found = grid[_peaks(grid, score, np.radians(1.6 * GRID_DEG), 3 * most)].as_matrix()
    for step, sphere in ((3.0, coarse), (1.5, coarse), (1.5, fine), (0.7, fine)):
        found = _climbed(found, sphere, way, weight, np.radians(step))
    score = fine.agreement(found, way, weight)
    return found[_peaks(Rotation.from_matrix(found), score, np.radians(APART_DEG), most)]


class _Sphere:
    """Density of a surface's normals on the sphere, smoothed by a normal kernel of `width` rad, as a table."""

    def __init__(self, surface: Surface, width: float, oriented: bool) -> None:
        way, weight = _directions(surface)
        if not oriented:
            way, weight = np.vstack([way, -way]), np.concatenate([weight, weight])
        self.rows = round(np.pi / (0.4 * width))
        theta, phi = np.meshgrid(
            np.linspace(0, np.pi, self.rows + 1), np.linspace(0, 2 * np.pi, 2 * self.rows + 1), indexing="ij"
        )
        at = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], axis=-1)
        cosine = at.reshape(-1, 3) @ way.T
        self.table = (np.exp((cosine - 1) / width**2) @ weight).reshape(theta.shape)

    def agreement(self, turn: Array, way: Array, weight: Array, chunk: int = 400) -> Array:
        """Sum over the directions, each turned, of weight times density, for every rotation (k,)."""
        out = np.empty(len(turn))
        for a in range(0, len(turn), chunk):
            x, y, z = np.einsum("kij,nj->ikn", turn[a : a + chunk], way)
            row = np.arccos(np.clip(z, -1, 1)) * self.rows / np.pi
            column = (np.arctan2(y, x) % (2 * np.pi)) * self.rows / np.pi
            out[a : a + chunk] = map_coordinates(self.table, [row, column], order=1) @ weight
        return out


def _directions(surface: Surface) -> tuple[Array, Array]:
    """Directions (n, 3) that normals of smooth points have, and the root of their share, so that no face rules."""
    normals = surface.normals[surface.smooth]
    axis = np.arange(DIRECTIONS) + 0.5
    z = 1 - 2 * axis / DIRECTIONS
    turn = np.pi * (1 + np.sqrt(5)) * axis
    even = np.column_stack([np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z])
    share = np.bincount(cKDTree(even).query(normals)[1], minlength=DIRECTIONS) / max(len(normals), 1)
    kept = np.flatnonzero(share > 2e-4)
    weight = np.sqrt(share[kept])
    return even[kept], weight / np.linalg.norm(weight)


def _grid(step: float) -> Rotation:
    """Rotations about `step` rad apart: super-Fibonacci spirals (Alexa 2022, CVPR, algorithm 1)."""
    n = int(np.pi**2 / (np.pi / 6 * step**3) * 8 / 4)
    s = np.arange(n) + 0.5
    t = s / n
    alpha, beta = 2 * np.pi * s / np.sqrt(2), 2 * np.pi * s / 1.533751168755204288118041
    r, big = np.sqrt(t), np.sqrt(1 - t)
    return Rotation.from_quat(
        np.column_stack([r * np.sin(alpha), r * np.cos(alpha), big * np.sin(beta), big * np.cos(beta)])
    )


def _peaks(turn: Rotation, score: Array, apart: float, most: int) -> Array:
    """Rows of the highest scores, none within `apart` rad of a higher one; best first."""
    quat = turn.as_quat()
    left = np.argsort(-score, kind="stable")[: 60 * most]
    kept: list[int] = []
    while len(left) and len(kept) < most:
        kept.append(int(left[0]))
        left = left[np.abs(quat[left] @ quat[left[0]]) < np.cos(apart / 2)]
    return np.array(kept)


def _climbed(turn: Array, sphere: _Sphere, way: Array, weight: Array, step: float) -> Array:
    """Each rotation moved to its best neighbour on a 3 x 3 x 3 grid of `step` rad, up to five times."""
    offsets = np.stack(np.meshgrid(*3 * [[-step, 0.0, step]], indexing="ij"), axis=-1).reshape(-1, 3)
    small = np.array([from_rotation_vector(v) for v in offsets])
    for _ in range(5):
        tried = np.einsum("aij,kjl->kail", small, turn)
        score = sphere.agreement(tried.reshape(-1, 3, 3), way, weight).reshape(len(turn), -1)
        best = np.argmax(score, axis=1)
        turn = tried[np.arange(len(turn)), best]
        if (offsets[best] == 0).all():
            break
    return turn
