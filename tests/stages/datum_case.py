"""A ladder frame made by hand, point by point, whose centre plane, level and features are known exactly."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from barerail.geometry.frames import direction, from_rotation_vector, invert, rigid, transform
from barerail.records import (
    CHASSIS,
    Array,
    CleanScan,
    Feature,
    Features,
    NoiseModel,
    Plane,
    Rail,
    Scan,
    Station,
)

HALF_W, HALF_H, GAUGE = 30.0, 50.0, 800.0
SPACING = 10.0
NOISE = NoiseModel(0.1, 0.0, 5.0, 0.05, 0.2)
HOLES = (
    ("hole", -600.0, 12.5),
    ("hole", -150.0, 16.0),
    ("hole", 420.0, 20.0),
    ("hole", 1500.0, 10.5),
    ("hole", 1900.0, 25.0),
)
Bend = Callable[[Array], Array]


@dataclass(frozen=True)
class Leg:
    """A straight length of the left rail from a to b (x, z of its centre line), at y = GAUGE / 2."""

    a: tuple[float, float]
    b: tuple[float, float]


KICKED = (Leg((-900, 50), (700, 50)), Leg((700, 50), (1300, 130)), Leg((1300, 130), (2100, 130)))
LEVEL = (Leg((-1500, 50), (1500, 50)),)
CROSS = (-700.0, 300.0, 1700.0)


def straight(points: Array) -> Array:
    return points


def some_pose(seed: int) -> Array:
    """Scan from car: a drawn turn and shift."""
    rng = np.random.default_rng([seed, 7])
    return rigid(from_rotation_vector(rng.normal(size=3) * 1.5), rng.uniform(-800, 800, 3))


def twisted(degrees: float, low: float = -900.0, high: float = 2100.0) -> Bend:
    """Turned about the x axis at z = 50, by so many degrees from low to high x, none at the middle."""

    def bend(p: Array) -> Array:
        turn = np.radians(degrees) * ((p[:, 0] - low) / (high - low) - 0.5)
        y, z = p[:, 1], p[:, 2] - 50.0
        turned = [np.cos(turn) * y - np.sin(turn) * z, np.sin(turn) * y + np.cos(turn) * z + 50.0]
        return np.column_stack([p[:, 0], *turned])

    return bend


def case(
    seed: int = 1,
    *,
    legs: tuple[Leg, ...] = KICKED,
    cross: tuple[float, ...] = CROSS,
    noise: float = 0.0,
    clutter: float = 0.0,
    bend: Bend = straight,
    pose: Array | None = None,
) -> tuple[CleanScan, Features, Array]:
    """Clean scan, features and car from scan. `clutter`: one-sided surface as a share of the frame's."""
    rng = np.random.default_rng(seed)
    scan_from_car = some_pose(seed) if pose is None else pose
    points, normals = frame_surface(legs, cross, rng)
    extra, extra_normals = clutter_surface(int(clutter * len(points)), rng)
    points, normals = np.vstack([bend(points), extra]), np.vstack([normals, extra_normals])
    points = points + noise * rng.normal(size=(len(points), 1)) * normals
    clean = clean_of(transform(scan_from_car, points), direction(scan_from_car, normals))
    return clean, features_of(legs, bend, scan_from_car), invert(scan_from_car)


def clean_of(points: Array, normals: Array) -> CleanScan:
    n = len(points)
    scan = Scan(points, None, None, "mm", 1.0, False, ())
    return CleanScan(
        scan,
        points,
        normals,
        True,
        np.zeros(n),
        np.full(n, CHASSIS, np.uint8),
        np.arange(n),
        np.arange(n + 1),
        SPACING,
        SPACING,
        0.1,
        None,
    )


def frame_surface(legs: tuple[Leg, ...], cross: tuple[float, ...], rng: np.random.Generator) -> tuple[Array, Array]:
    """Points and outward normals on two box rails and on cross members between them, each side drawn by itself."""
    parts = []
    for side in (1.0, -1.0):
        for leg in legs:
            along, up = _leg_axes(leg)
            start = np.array([leg.a[0], side * GAUGE / 2, leg.a[1]])
            parts += _box(start, along, np.array([0.0, side, 0.0]), up, _length(leg), rng)
    for x in cross:
        z = _height(legs, x)
        start = np.array([x, -GAUGE / 2 + HALF_W, z])
        parts += _box(start, np.array([0.0, 1.0, 0.0]), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), GAUGE - 60, rng)
    return tuple(np.vstack(v) for v in zip(*parts))


def clutter_surface(count: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """A bent sheet beside the right rail, `count` points as dense as the frame's."""
    s = rng.uniform(size=(count, 2)) * [1400.0, 1.0] + [-500.0, 0.2]
    radius = count * SPACING**2 / 1400.0
    out = np.column_stack([np.zeros(count), -np.cos(s[:, 1]), np.sin(s[:, 1])])
    return np.column_stack([s[:, 0], np.full(count, -520.0), np.zeros(count)]) + radius * out, out


def features_of(legs: tuple[Leg, ...], bend: Bend, pose: Array, right_ahead: float = 0.0) -> Features:
    """What a fit would give. `right_ahead`: how far the right rail's stations lie ahead of the left's, mm."""
    planes = [_underside(leg, side, bend, pose) for leg in legs for side in (1.0, -1.0)]
    low, high = legs[0].a[0], legs[-1].b[0]
    holes = [
        _hole(kind, x, side, d, legs, bend, pose) for kind, x, d in HOLES if low < x < high for side in (1.0, -1.0)
    ]
    rails = tuple(_rail(legs, side, bend, pose, ahead) for side, ahead in ((1.0, 0.0), (-1.0, right_ahead)))
    return Features(tuple(planes), tuple(holes), rails, NOISE, SPACING)


def hints(car_from_scan: Array, reach: float = 3000.0) -> dict[str, tuple[float, ...]]:
    """front and above as a user gives them, in scan coordinates."""
    back = invert(car_from_scan)
    return {"front": tuple(transform(back, [reach, 20.0, 100.0])), "above": tuple(transform(back, [600.0, 0, 900.0]))}


def moved(features: Features, index: int, shift: Array) -> Features:
    """The same with one found feature's point moved by `shift` (3,), scan axes."""
    found = list(features.found)
    found[index] = replace(found[index], point=found[index].point + shift)
    return replace(features, found=tuple(found))


def _leg_axes(leg: Leg) -> tuple[Array, Array]:
    d = np.array([leg.b[0] - leg.a[0], 0.0, leg.b[1] - leg.a[1]])
    along = d / np.linalg.norm(d)
    return along, np.array([-along[2], 0.0, along[0]])


def _length(leg: Leg) -> float:
    return float(np.hypot(leg.b[0] - leg.a[0], leg.b[1] - leg.a[1]))


def _height(legs: tuple[Leg, ...], x: float) -> float:
    xs = [legs[0].a[0], *(leg.b[0] for leg in legs)]
    return float(np.interp(x, xs, [legs[0].a[1], *(leg.b[1] for leg in legs)]))


def _box(
    start: Array, along: Array, out: Array, up: Array, length: float, rng: np.random.Generator
) -> list[tuple[Array, Array]]:
    """Four faces of a box section HALF_W by HALF_H about a line, drawn at one point per SPACING squared."""
    parts = []
    for normal, half, across, half_across in ((out, HALF_W, up, HALF_H), (up, HALF_H, out, HALF_W)):
        for sign in (1.0, -1.0):
            n = int(2 * half_across * length / SPACING**2)
            s = rng.uniform(size=(n, 2)) * [length, 2 * half_across] - [0.0, half_across]
            points = start + sign * half * normal + s[:, :1] * along + s[:, 1:] * across
            parts.append((points, np.tile(sign * normal, (n, 1))))
    return parts


def _underside(leg: Leg, side: float, bend: Bend, pose: Array) -> Plane:
    up = _leg_axes(leg)[1]
    ends = np.array([[leg.a[0], side * GAUGE / 2, leg.a[1]], [leg.b[0], side * GAUGE / 2, leg.b[1]]]) - HALF_H * up
    a, b = transform(pose, bend(ends))
    u = (b - a) / np.linalg.norm(b - a)
    down = direction(pose, -up)
    down = down - (down @ u) * u
    axes = np.stack([u, np.cross(down, u), down])
    length = _length(leg)
    cov = np.diag([0.01**2, (0.03 / HALF_W) ** 2, (0.03 / length) ** 2])
    size = (length, 2 * HALF_W)
    members = np.zeros(0, np.int64)
    return Plane((a + b) / 2, axes, cov, 0.1, 5000, length * 60, size, members, np.zeros((0, 3)))


def _hole(kind: str, x: float, side: float, d: float, legs: tuple[Leg, ...], bend: Bend, pose: Array) -> Feature:
    at = np.array([[x, side * GAUGE / 2, _height(legs, x) - HALF_H]])
    point = transform(pose, bend(at))[0]
    cov = pose[:3, :3] @ np.diag([0.05, 0.05, 0.02]) ** 2 @ pose[:3, :3].T
    axis = direction(pose, np.array([0.0, 0.0, -1.0]))
    return Feature(kind, point, axis, d, float("nan"), cov, 1e-6 * np.eye(3), 0.05, float("nan"), 360.0, 200, 0.1)


def _rail(legs: tuple[Leg, ...], side: float, bend: Bend, pose: Array, ahead: float) -> Rail:
    stations = []
    for x in np.arange(legs[0].a[0] + 60 + ahead, legs[-1].b[0] - 50, 100.0):
        leg = next(g for g in legs if g.a[0] <= x <= g.b[0])
        along, up = _leg_axes(leg)
        at = np.array([x, side * GAUGE / 2, _height(legs, x)])
        p, sideways = bend(np.stack([at, at + np.cross(up, along)]))
        b = sideways - p - ((sideways - p) @ along) * along
        b /= np.linalg.norm(b)
        axes = direction(pose, np.stack([along, b, np.cross(along, b)]))
        cov = np.diag([0.01, 0.01, 0.01 / 30, 0.02, 0.02]) ** 2
        stations.append(Station(transform(pose, p), axes, (60.0, 100.0), cov, (True,) * 4, 3000, 0.1))
    return Rail("box", tuple(stations))
