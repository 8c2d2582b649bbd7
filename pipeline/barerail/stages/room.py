"""Is there room: the least gap between a part and the scan, and every place where they come nearer than asked."""

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from barerail.asked import RoomSettings
from barerail.errors import DataError
from barerail.geometry.covariance import MESH_OFF
from barerail.geometry.frames import direction, rigid, skew, transform
from barerail.geometry.neighbours import rows_of, touching
from barerail.geometry.solid import Solid
from barerail.records import CHASSIS, Array, CleanScan, Datum, Index, NoiseModel, Note, Room, Shape, Spot

ALIKE = 0.8
"""Cosine within which neighbours face alike, and belong to one smooth piece of surface."""
AROUND = 4.0
"""Radius of the piece of surface that a point is judged by, in point spacings."""
MOST_MOVED = 3.0
"""Most that a point is moved, in standard deviations of the noise: at an edge the pieces around it mislead."""
MOST_TRIED = 400
"""Most points of one place that are looked at closely: the nearest as scanned."""
DISC = 0.5
"""How far the surface goes on from a point, in spacings: half the side of a square that holds one."""
GAMMA = 0.9027, 0.6129
"""Mean and standard deviation of a Weibull distribution of shape 3/2, in its scale: gamma(5/3), and the root of
gamma(7/3) - gamma(5/3)^2."""


def room(clean: CleanScan, datum: Datum, noise: NoiseModel, part: Shape, settings: RoomSettings) -> Room:
    """Gaps between the part, placed in car axes, and the chassis as scanned.

    Near the part each scan point is put on the quadratic through those around it that face alike, and stands for a disc
    of its share of the surface; the gap is the least distance of a disc. U: k = 2, of the local fit, the edge of what
    was scanned, drift, datum, what fusing does to a mesh, and the part's triangles; the local fit counts
    (1 + 2 ln m)^1/2 times where m points are as near within its noise, since the least of many lies too near. What
    wasn't scanned leaves no gap. DataError: no chassis.
    """
    place = rigid(Rotation.from_euler("xyz", settings.turn, degrees=True).as_matrix(), settings.at)
    solid = Solid(transform(place, part.vertices), part.triangles)
    points, normals = _near(clean, datum, solid, settings.gap_mm)
    raw = solid.nearest(points)[1]
    least = max(settings.gap_mm, float(raw.min()))
    smooth = cKDTree(points)
    spots = [
        _spot(rows, points, normals, smooth, solid, clean, datum, noise, part.off_mm)
        for rows in _places(points, raw, least + clean.spacing_mm, clean.spacing_mm)
    ]
    spots.sort(key=lambda s: s.gap_mm)
    kept = [s for i, s in enumerate(spots) if i == 0 or s.gap_mm <= settings.gap_mm]
    size = tuple(float(v) for v in np.ptp(transform(place, part.vertices), axis=0))
    return Room(tuple(kept), settings.gap_mm, size, _notes(solid, kept, clean))  # type: ignore[arg-type]


def _near(clean: CleanScan, datum: Datum, solid: Solid, gap: float) -> tuple[Array, Array]:
    """Full-resolution points (n, 3) and their cells' normals in car axes: all that may be nearest or under the gap."""
    cells = np.flatnonzero(clean.label == CHASSIS)
    if not len(cells):
        raise DataError("the scan holds no chassis to keep away from")
    car = transform(datum.car_from_scan, clean.thin[cells])
    box = solid.box_distance(car)
    first = np.argsort(box, kind="stable")[:2000]
    limit = max(gap, float(solid.nearest(car[first])[1].min())) + 2 * clean.voxel_mm
    close = box <= limit + AROUND * clean.spacing_mm
    cells = cells[close]
    distance = solid.nearest(car[close])[1]
    cells = cells[distance <= limit + AROUND * clean.spacing_mm]
    rows = rows_of(cells, clean.order, clean.start)
    normals = np.repeat(clean.normals[cells], np.diff(clean.start)[cells], axis=0)
    return transform(datum.car_from_scan, clean.scan.points[rows]), direction(datum.car_from_scan, normals)


def _places(points: Array, distance: Array, limit: float, spacing: float) -> list[Index]:
    """Rows of each connected piece of the scan within the limit, its nearest points first."""
    rows = np.flatnonzero(distance <= limit)
    piece = touching(points[rows], 3 * spacing)
    groups = [rows[piece == k] for k in range(int(piece.max()) + 1)]
    return [g[np.argsort(distance[g], kind="stable")] for g in groups]


def _spot(
    rows: Index, points: Array, normals: Array, tree: cKDTree, solid: Solid, clean: CleanScan, datum: Datum,
    noise: NoiseModel, off: float,
) -> Spot:  # fmt: skip
    tried = rows[:MOST_TRIED]
    on, facing, u = _smoothed(tried, points, normals, tree, clean.spacing_mm, noise)
    at, gap = _discs(on, facing, solid, DISC * clean.spacing_mm)
    best = int(np.argmin(gap))
    part, scan = solid.nearest(at[best][None])[0][0], at[best]
    way = (scan - part) / max(float(np.linalg.norm(scan - part)), 1e-9)
    beyond = float(solid.nearest(on)[1].min() - gap[best])
    edge, u_edge = _edge(scan, facing[best], way, solid, clean.spacing_mm, beyond) if gap[best] > 0 else (0.0, 0.0)
    b = np.hstack([np.eye(3), -skew(scan)])
    cov = b @ datum.covariance @ b.T
    far = float(scan @ scan) * (noise.drift_mm_per_m / 1000) ** 2
    white2 = max(u[best] ** 2 - noise.corr_mm**2, 0.0)
    pieces = _pieces(on[gap <= gap[best] + 3 * np.sqrt(white2)], AROUND * clean.spacing_mm)
    fused = MESH_OFF * clean.spacing_mm if clean.scan.triangles is not None else 0.0
    u2 = u[best] ** 2 + 2 * np.log(pieces) * white2 + way @ cov @ way + noise.drift_mm**2 + far + off**2 / 3
    u2 += u_edge**2 + fused**2
    across = float(np.linalg.norm(np.ptp(points[rows], axis=0)))
    return Spot(float(gap[best]) + edge, 2 * float(np.sqrt(u2)), scan, part, across)


def _pieces(points: Array, apart: float) -> int:
    """How many of points (n, 3) lie further than `apart` from each other, taken one by one."""
    kept = points[:1]
    for p in points[1:]:
        if np.linalg.norm(kept - p, axis=1).min() > apart:
            kept = np.vstack([kept, p])
    return len(kept)


def _edge(at: Array, facing: Array, way: Array, solid: Solid, spacing: float, beyond: float) -> tuple[float, float]:
    """What a disc is too near by where the surface ends at its place `at` (3,), mm, and its standard uncertainty.

    Points are scattered over the surface, one in spacing^2 = s^2. At an edge the gap grows by b a mm inwards and by
    c t^2 / 2 along it, so the surface nearer than the true gap plus g has the area 4/3 sqrt(2 / c) g^(3/2) / b, and
    no point lies there with probability exp(-area / s^2): the nearest point lies too far by a Weibull variable of shape
    3/2. The disc is nearer than the nearest point by `beyond`, of which at most b DISC s because it reaches further.
    """
    inward = way - (way @ facing) * facing
    b = float(np.linalg.norm(inward))
    if b < 1e-6:
        return 0.0, 0.0
    step = 2 * spacing * np.cross(facing, inward / b)
    ends = solid.nearest(np.array([at - step, at, at + step]))[1]
    c = max(float(ends[0] - 2 * ends[1] + ends[2]), 0.0) / (2 * spacing) ** 2
    scale = (0.75 * spacing**2 * b * np.sqrt(c / 2)) ** (2 / 3)
    mean, sd = (float(g * scale) for g in GAMMA)
    return max(min(b * DISC * spacing, beyond) - mean, 0.0), sd


def _smoothed(
    rows: Index, points: Array, normals: Array, tree: cKDTree, spacing: float, noise: NoiseModel
) -> tuple[Array, Array, Array]:
    """Places (n, 3) on the smooth surface, its unit normals there, and the standard uncertainty (n,) along them."""
    on, facing, u = points[rows].copy(), normals[rows].copy(), np.full(len(rows), noise.sigma_mm)
    for i, (row, around) in enumerate(zip(rows, tree.query_ball_point(points[rows], AROUND * spacing))):
        alike = np.sort(np.array(around, np.int64))
        alike = alike[np.abs(normals[alike] @ normals[row]) > ALIKE]
        found = _quadratic(points[alike] - points[row], normals[row])
        if found is not None:
            height, normal, share = found
            on[i] += np.clip(height, -MOST_MOVED * noise.sigma_mm, MOST_MOVED * noise.sigma_mm) * normals[row]
            facing[i] = normal
            u[i] = np.sqrt(noise.corr_mm**2 + share * noise.white_mm**2)
    return on, facing, u


def _quadratic(d: Array, normal: Array) -> tuple[float, Array, float] | None:
    """Height at the middle of the quadratic through places d (n, 3) along `normal`, the normal there, and the share of
    the noise's variance that is left in that height; None where too few points hold it."""
    if len(d) < 10:
        return None
    x_axis = np.linalg.svd(normal[None])[2][1]
    axes = np.array([x_axis, np.cross(normal, x_axis), normal])
    x, y, z = axes @ d.T
    design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    scale = np.linalg.norm(design, axis=0)
    if np.linalg.matrix_rank(design / scale, tol=1e-4) < design.shape[1]:
        return None
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ (design.T @ z)
    slope = axes[2] - fit[1] * axes[0] - fit[2] * axes[1]
    return float(fit[0]), slope / np.linalg.norm(slope), float(inverse[0, 0])


def _discs(on: Array, facing: Array, solid: Solid, radius: float, rounds: int = 4) -> tuple[Array, Array]:
    """Place (n, 3) of each disc that is nearest to the solid, and its distance (n,), below 0 inside."""
    at, (near, gap) = on.copy(), solid.nearest(on)
    for _ in range(rounds):
        way = near - on
        flat = way - np.einsum("ij,ij->i", way, facing)[:, None] * facing
        length = np.linalg.norm(flat, axis=1, keepdims=True)
        tried = on + flat * np.minimum(1.0, radius / np.maximum(length, 1e-12))
        close, distance = solid.nearest(tried)
        better = (distance < gap) & (gap > 0)
        at[better], gap[better], near[better] = tried[better], distance[better], close[better]
    return at, gap


def _notes(solid: Solid, spots: Sequence[Spot], clean: CleanScan) -> tuple[Note, ...]:
    told = []
    if not solid.closed:
        told.append("the part's surface is not closed: where it goes into the chassis can't be told from beside it")
    if any(s.gap_mm < 0 for s in spots):
        told.append("the part goes into the chassis as scanned")
    if clean.scan.triangles is not None:
        told.append(
            "a fused mesh: edges are rounded, so at one the true gap may be smaller; thin sheet and tabs stand proud, "
            "so there it is larger; scan the place as points where it is tight"
        )
    return tuple(Note("room", text, 1, True) for text in told)
