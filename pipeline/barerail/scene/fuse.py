"""A depth camera whose frames are fused into a mesh: rounded edges, thin sheet disturbed, holes partly closed."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.records import Array
from barerail.scene.case import SceneCase
from barerail.scene.faults import Field
from barerail.scene.rays import Rays, open3d
from barerail.scene.scanner import Surface, joined

DISTANCE_MM = 450.0
WIDTH, HEIGHT, FOCAL = 320, 240, 300.0
TRUNCATION_VOXELS = 3.0
GRAZING = 0.2
LEAST_FRAMES = 2.0


@dataclass(frozen=True, eq=False)
class Fused:
    """vertices (n, 3) in scan axes mm, their normals, triangles (t, 3)."""

    vertices: Array
    normals: Array
    triangles: NDArray[np.integer]


def fuse(case: SceneCase, surfaces: list[Surface], seen: Callable[[Array], Array], rng: np.random.Generator) -> Fused:
    """Integrate `case.frames` depth frames, each with white noise and half as much error of its place.

    Truncated signed distance field after Curless and Levoy 1996, A volumetric method for building complex models from
    range images; open3d's VoxelBlockGrid.
    """
    o3d = open3d()
    vertices, triangles = joined(surfaces)
    rays = Rays(seen(vertices), triangles)
    share = np.repeat([s.share for s in surfaces], [len(s.triangles) for s in surfaces])
    y = vertices[triangles][:, :, 1].mean(1)
    left = seen(np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 0.0]]))
    lean = case.lean * np.sign(y)[:, None] * (left[0] - left[1])
    targets, eyes = _views(case, rays, seen(vertices)[triangles], share, lean, rng)
    one = o3d.core.float32
    grid = o3d.t.geometry.VoxelBlockGrid(("tsdf", "weight"), (one, one), (1, 1), case.voxel_mm, 16, 4_000)
    tensor = o3d.core.Tensor
    # the grid looks pixels up by rounding down, so its lens sits half a pixel further
    lens = tensor(np.array([[FOCAL, 0, WIDTH / 2], [0, FOCAL, HEIGHT / 2], [0, 0, 1]]))
    for target, eye in zip(targets, eyes):
        camera = _camera(target, eye, rng)
        depth = o3d.t.geometry.Image(tensor(_depth(rays, camera, case.sigma_mm, rng)))
        camera[:3, 3] += 0.5 * case.sigma_mm * rng.normal(size=3)
        frame = (depth, lens, tensor(np.linalg.inv(camera)), 1.0, 2 * DISTANCE_MM, TRUNCATION_VOXELS)
        grid.integrate(grid.compute_unique_block_coordinates(*frame), *frame)
    mesh = grid.extract_triangle_mesh(LEAST_FRAMES)
    return _surface(case, mesh.vertex.positions.numpy().astype(float), mesh.triangle.indices.numpy(), rng)


def _views(
    case: SceneCase, rays: Rays, corners: Array, share: Array, lean: Array, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Targets spread over the surface and camera places with a clear view of them, (frames, 3) each.

    lean (t, 3): what is added to the direction from a triangle to its camera.
    """
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normal, axis=1)
    odds = area * share
    face = np.sort(rng.choice(len(area), 12 * case.frames, p=odds / odds.sum()))
    weight = rng.dirichlet(np.ones(3), len(face))
    targets = np.einsum("ij,ijk->ik", weight, corners[face])
    way = normal[face] / area[face, None] + lean[face] + 0.6 * rng.normal(size=targets.shape)
    way /= np.linalg.norm(way, axis=1)[:, None]
    clear = ~rays.blocked(targets + 0.05 * way, way, DISTANCE_MM + 50)
    at = np.flatnonzero(clear)
    at = at[np.linspace(0, len(at) - 1, case.frames).astype(int)]
    return targets[at], targets[at] + DISTANCE_MM * way[at]


def _camera(target: Array, eye: Array, rng: np.random.Generator) -> Array:
    """World from camera, (4, 4): z towards the target, rolled at random."""
    z = (target - eye) / np.linalg.norm(target - eye)
    x = np.cross(z, rng.normal(size=3))
    x /= np.linalg.norm(x)
    out = np.eye(4)
    out[:3, :3] = np.column_stack([x, np.cross(z, x), z])
    out[:3, 3] = eye
    return out


def _depth(rays: Rays, camera: Array, sigma: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Depth image in mm with noise, zero where nothing is hit or at too flat an angle."""
    v, u = np.mgrid[:HEIGHT, :WIDTH].reshape(2, -1).astype(float)
    ways = np.column_stack([(u - WIDTH / 2 + 0.5) / FOCAL, (v - HEIGHT / 2 + 0.5) / FOCAL, np.ones(len(u))])
    turned = ways @ camera[:3, :3].T
    depth, normals = rays.hits(np.broadcast_to(camera[:3, 3], turned.shape), turned)
    flat = np.abs(np.einsum("ij,ij->i", normals, turned)) < GRAZING * np.linalg.norm(turned, axis=1)
    depth = depth + sigma * rng.normal(size=len(depth))
    depth[flat | ~np.isfinite(depth)] = 0
    return depth.reshape(HEIGHT, WIDTH).astype(np.float32)


def _surface(case: SceneCase, vertices: Array, triangles: NDArray[np.integer], rng: np.random.Generator) -> Fused:
    """Vertices and triangles in an order of their own (threads fill the grid in any), with correlated noise added."""
    order = np.lexsort(vertices.T)
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    vertices, triangles = vertices[order], place[triangles.astype(np.int64)]
    turn = (triangles.argmin(1)[:, None] + np.arange(3)) % 3
    triangles = np.take_along_axis(triangles, turn, 1)
    triangles = triangles[np.lexsort(triangles.T)]
    normals = vertex_normals(vertices, triangles)
    along = case.corr_mm * Field.correlated(case.corr_length_mm, rng)(vertices)
    return Fused(vertices + along[:, None] * normals, normals, triangles)


def vertex_normals(vertices: Array, triangles: NDArray[np.integer]) -> Array:
    """Area-weighted mean of the normals round each vertex, unit, (n, 3)."""
    a, b, c = vertices[triangles].transpose(1, 0, 2)
    face = np.cross(b - a, c - a)
    out = np.zeros_like(vertices)
    for k in range(3):
        for axis in range(3):
            out[:, axis] += np.bincount(triangles[:, k], face[:, axis], len(vertices))
    return out / np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None]
