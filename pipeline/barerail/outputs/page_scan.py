"""The scan as the page draws it: car axes, thinned to a budget, whole around features, shaded, packed small."""

from base64 import b64encode
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.geometry.frames import direction, transform
from barerail.geometry.neighbours import Cells, cell_keys, into_cells, rows_of
from barerail.records import CHASSIS, Array, CleanScan, Datum, Index, MountPoint

KEY_LIGHT = np.array([0.40, 0.30, 0.87])
FILL_LIGHT = np.array([-0.45, -0.65, -0.61])
DETAILED = ("hole", "slot", "stud", "bolt-axis", "sleeve")
SHARES = (1.0, 0.75, 0.5, 0.35, 0.25, 0.0)
"""Parts of a feature's surroundings tried for full detail, until they fit in half the budget."""


@dataclass(frozen=True)
class Shown:
    """What is drawn, car axes: xyz, normals (n, 3), grey 0..1 and radius mm (n,), triangles (t, 3) or None."""

    xyz: Array
    normals: Array
    grey: Array
    radius: Array
    triangles: NDArray[np.int64] | None


def shown(clean: CleanScan, datum: Datum, points: tuple[MountPoint, ...], budget: int) -> Shown:
    """The chassis in about `budget` triangles of a mesh, or in no more than `budget` small discs of a cloud.

    Every full-resolution point near a feature, means of coarse cells elsewhere. The same scan gives the same picture.
    """
    mesh = clean.scan.triangles is not None
    room = budget // 2 if mesh else budget  # a closed mesh has twice as many triangles as vertices
    cells = np.flatnonzero(clean.label == CHASSIS)
    xyz = transform(datum.car_from_scan, clean.thin[cells])
    normals = direction(datum.car_from_scan, clean.normals[cells])
    count = np.diff(clean.start)[cells]
    near = _near(xyz, points, count, room // 2)
    rows = rows_of(cells[near], clean.order, clean.start)
    owner = np.repeat(np.flatnonzero(near), count[near])
    far = np.flatnonzero(~near)
    group, edge = coarse(xyz[far], normals[far], clean.voxel_mm, room - len(rows))
    whole = transform(datum.car_from_scan, clean.scan.points[rows])
    turned = np.vstack([means(group, normals[far]), normals[owner]])
    turned /= np.maximum(np.linalg.norm(turned, axis=1, keepdims=True), 1e-12)
    flat = np.concatenate([means(group, clean.flat[cells[far]]), _between(whole, xyz, clean.flat[cells])])
    return Shown(
        xyz=np.vstack([group.mean, whole]),
        normals=turned,
        grey=_shaded(turned, flat),
        radius=np.repeat([1.05 * edge, 1.2 * clean.spacing_mm], [len(group.mean), len(rows)]),
        triangles=_triangles(clean, cells[far], group, rows) if mesh else None,
    )


def _near(xyz: Array, points: tuple[MountPoint, ...], count: Index, room: int) -> NDArray[np.bool_]:
    """Thinned points close to a feature, as far around it as `room` full-resolution points allow."""
    spots, reach = _surroundings(points)
    tree = cKDTree(xyz)
    near = np.zeros(len(xyz), bool)
    for share in SHARES:
        near[:] = False
        for rows in tree.query_ball_point(spots, reach * share) if share and len(spots) else ():
            near[rows] = True
        if count[near].sum() <= room and not near.all():
            break
    return near


def _surroundings(points: tuple[MountPoint, ...]) -> tuple[Array, Array]:
    """Spots (k, 3) in car axes that are shown in full, and the radius in mm around each."""
    spots: list[Array] = []
    reach: list[float] = []
    for p in points:
        if p.kind in DETAILED and np.isfinite(p.position).all():
            places = p.ends if p.kind == "bolt-axis" and len(p.ends) else p.position[None]
            across = np.nanmax([8.0, p.diameter, p.length if p.kind == "slot" else np.nan])
            spots.extend(places)
            reach.extend([across / 2 + 12.0] * len(places))
    return np.array(spots).reshape(-1, 3), np.array(reach)


def coarse(xyz: Array, normals: Array, edge: float, room: int) -> tuple[Cells, float]:
    """The points in cubic cells, sides of thin sheet apart, in no more cells than `room`; and the cells' edge."""
    while True:
        group = into_cells(xyz, cell_keys(xyz, edge, normals))
        if len(group.mean) <= max(room, 1):
            return group, edge
        edge *= max(1.03, float(np.sqrt(len(group.mean) / max(room, 1))))


def means(group: Cells, values: Array) -> Array:
    """Mean of values (n, ...) in each cell."""
    total = np.add.reduceat(values[group.order], group.start[:-1], axis=0)
    return total / np.diff(group.start).reshape((-1,) + (1,) * (values.ndim - 1))


def _between(places: Array, xyz: Array, values: Array) -> Array:
    """Values (n,) known at xyz (m, 3), at places (n, 3): the four nearest, weighted by one over the distance."""
    distance, at = cKDTree(xyz).query(places, list(range(1, min(4, len(xyz)) + 1)))
    weight = 1 / np.maximum(distance, 1e-3)
    return np.asarray((weight * values[at]).sum(axis=1) / weight.sum(axis=1))


def _shaded(normals: Array, flat: Array) -> Array:
    """Grey 0..1: two lights fixed to the car, and darker where the surface bends, which draws rims and edges."""
    key, fill = normals @ KEY_LIGHT, normals @ FILL_LIGHT
    lit = 0.36 + 0.55 * np.clip(key, 0, None) + 0.45 * np.clip(fill, 0, None)
    return np.clip(lit * (1 - 0.6 * np.clip(flat / 0.45, 0, 1)), 0, 1)


def _triangles(clean: CleanScan, far: Index, group: Cells, rows: Index) -> NDArray[np.int64]:
    """Triangles of the mesh between the drawn vertices, those that shrank to nothing left out."""
    drawn = np.full(len(clean.scan.points), -1)
    of_far = np.empty(len(far), np.int64)
    of_far[group.order] = np.repeat(np.arange(len(group.mean)), np.diff(group.start))
    drawn[rows_of(far, clean.order, clean.start)] = np.repeat(of_far, np.diff(clean.start)[far])
    drawn[rows] = len(group.mean) + np.arange(len(rows))
    t = drawn[clean.scan.triangles]
    t = t[(t >= 0).all(1) & (t[:, 0] != t[:, 1]) & (t[:, 1] != t[:, 2]) & (t[:, 2] != t[:, 0])]
    first = np.argmin(t, axis=1)[:, None]
    return np.unique(np.take_along_axis(t, (first + np.arange(3)) % 3, axis=1), axis=0)


def packed(scan: Shown) -> dict[str, Any]:
    """JSON of a Shown: 16-bit steps of `step` mm from `low`, 8-bit normals, greys and radii, base64, little-endian."""
    low = scan.xyz.min(axis=0)
    step = float(np.ptp(scan.xyz, axis=0).max()) / 65535 or 1.0
    out = {
        "low": low.round(3).tolist(),
        "step": step,
        "xyz": _base64((scan.xyz - low.round(3)) / step, "<u2"),
        "grey": _base64(255 * scan.grey, "u1"),
    }
    if scan.triangles is not None:
        return out | {"triangles": _base64(scan.triangles, "<u4")}
    return out | {"normals": _base64(127 * scan.normals, "i1"), "radius": _base64(10 * scan.radius, "u1")}


def _base64(values: NDArray[Any], kind: str) -> str:
    limit = np.iinfo(np.dtype(kind))
    return b64encode(np.clip(np.rint(values), limit.min, limit.max).astype(kind).tobytes()).decode()
