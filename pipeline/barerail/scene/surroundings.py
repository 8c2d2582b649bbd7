"""What stands around a chassis: one-sided clutter, stands and a floor."""

import numpy as np
from manifold3d import Manifold
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from barerail.records import Array
from barerail.scene.layout import Chassis
from barerail.scene.parts import UP, box, circle, cylinder, sweep

STAND_MM = 480.0


def clutter(rng: np.random.Generator, chassis: Chassis, count: int) -> list[Manifold]:
    """Hoses, boxes and blobs along one drawn side, some touching the rail."""
    side = float(rng.choice([-1.0, 1.0]))
    makers = (_hose, _box, _blob)
    return [makers[int(rng.integers(3))](rng, _place(rng, chassis, side)) for _ in range(count)]


def _place(rng: np.random.Generator, chassis: Chassis, side: float) -> Array:
    low, high = chassis.x_range
    share = rng.uniform([0.05, 0.45, 0.0], [0.95, 1.2, 1.0])
    y = side * chassis.half_gauge * share[1]
    return np.array([low + share[0] * (high - low), y, chassis.twist_z + 20 + 110 * share[2]])


def _hose(rng: np.random.Generator, at: Array) -> Manifold:
    """A hose or cable that wanders along the car."""
    knots = at + np.cumsum(rng.normal(size=(6, 3)) * [60, 45, 25] + [110, 0, 0], axis=0) - [300, 0, 0]
    path = CubicSpline(np.arange(6), knots)(np.linspace(0, 5, 120))
    return sweep(circle(float(rng.uniform(5, 12))), path)


def _box(rng: np.random.Generator, at: Array) -> Manifold:
    """A box or bracket left on the frame, at any angle."""
    axes = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    axes[2] *= np.sign(np.linalg.det(axes))
    size = rng.uniform(40, 150, 3)
    return box(at, axes, (float(size[0]), float(size[1]), float(size[2])))


def _blob(rng: np.random.Generator, at: Array) -> Manifold:
    """A rag or a bag: a lumpy ball."""
    waves, phase = rng.normal(size=(5, 3)) * 2.5, rng.uniform(0, 6, 5)
    radius, squash = rng.uniform(35, 90), rng.uniform(0.5, 1.0, 3)

    def lumpy(points: Array) -> Array:
        swell = radius * (1 + 0.07 * np.cos(points @ waves.T + phase).sum(1))
        return np.ascontiguousarray(points * swell[:, None] * squash + at)

    return Manifold.sphere(1.0, 64).warp_batch(lumpy)


def stands(chassis: Chassis) -> list[Manifold]:
    """Four stands under the rails, standing on a floor STAND_MM below the lowest point of the chassis."""
    low, high = chassis.x_range
    bounds = chassis.body.bounding_box()
    out = []
    for x in (low + 0.25 * (high - low), low + 0.75 * (high - low)):
        for side in (-1.0, 1.0):
            top = _underside(chassis, x, side)
            foot = np.array([top[0], top[1], bounds[2] - STAND_MM])
            head = box(top - 12 * UP, np.eye(3), (110.0, 110.0, 24.0))
            base = box(foot + 6 * UP, np.eye(3), (240.0, 240.0, 12.0))
            out.append(head + cylinder(foot, top - 20 * UP, 25.0) + base)
    return out


def _underside(chassis: Chassis, x: float, side: float) -> Array:
    """The lowest point of the rail centreline's section at x, on one side."""
    rail = next(m for m in chassis.marks if m.kind == "rail" and m.p[1] * side > 0)
    path = rail.points["path"]
    order = np.argsort(path[:, 0])
    y, z = (float(np.interp(x, path[order, 0], path[order, k])) for k in (1, 2))
    return np.array([x, y, z - rail.values["h"] / 2])


def floor(rng: np.random.Generator, chassis: Chassis) -> tuple[Array, NDArray[np.int64]]:
    """Vertices and triangles of a floor 300 mm wider all round, STAND_MM below the chassis, slightly out of level."""
    b = np.array(chassis.body.bounding_box()).reshape(2, 3)
    (x0, y0, z), (x1, y1, _) = b[0] - [300, 300, STAND_MM], b[1] + 300
    corners = np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z], [x0, y1, z]])
    corners[:, 2] += (corners[:, :2] - b.mean(0)[:2]) @ rng.normal(size=2) * 0.002
    return corners, np.array([[0, 1, 2], [0, 2, 3]])
