"""A plate with holes, as a clean scan by hand, for the tests of templates and sections."""

import numpy as np
from outputs_case import CAR_FROM_SCAN, point

from barerail.geometry.frames import invert, transform
from barerail.records import CleanScan, Feature, Features, MountPoints, NoiseModel, Plane, Scan, Source

STEP = 1.0
WIDE, TALL = 160.0, 100.0
X = 250.0
HOLES = {"a-L": (230.0, 120.0, 10.6), "b-L": (300.0, 120.0, 9.0), "c-L": (260.0, 170.0, 30.0)}
"""Name: y, z, diameter, on a plate at x = 250 that faces forward; y from 190 to 350, z from 90 to 190."""
LOW = np.array([190.0, 90.0])


def plate() -> tuple[CleanScan, Features, MountPoints]:
    """Full-resolution points a millimetre apart, none inside the holes; nobody's cells but their own."""
    y, z = (grid.ravel() for grid in np.meshgrid(np.arange(0, WIDE + 0.5, STEP), np.arange(0, TALL + 0.5, STEP)))
    car = np.column_stack([np.full(len(y), X), y + LOW[0], z + LOW[1]])
    for cy, cz, diameter in HOLES.values():
        car = car[np.hypot(car[:, 1] - cy, car[:, 2] - cz) > diameter / 2]
    return cleaned(car, np.tile((1.0, 0, 0), (len(car), 1))), features(len(car)), holes()


def cleaned(car: np.ndarray, normals: np.ndarray, triangles: np.ndarray | None = None) -> CleanScan:
    """A clean scan of points (n, 3) with outward normals, both in car axes, each its own cell."""
    scan_from_car = invert(CAR_FROM_SCAN)
    points, turned = transform(scan_from_car, car), normals @ scan_from_car[:3, :3].T
    source = Source("plate.ply", "0" * 64, 1, (0, len(car)), np.eye(4))
    scan = Scan(points, turned.astype(np.float32), triangles, "mm", 1.0, False, (source,))
    rows = np.arange(len(car))
    return CleanScan(scan, points, turned, True, np.zeros(len(car)), np.zeros(len(car), np.uint8), rows,
                     np.arange(len(car) + 1), 2.0, STEP, 0.02, None)  # fmt: skip


def features(count: int) -> Features:
    scan_from_car = invert(CAR_FROM_SCAN)
    axes = np.array([(0.0, 1, 0), (0, 0, 1), (1, 0, 0)]) @ scan_from_car[:3, :3].T
    ring = np.array([(X, *(LOW + c * np.array([WIDE, TALL]))) for c in np.array([(0, 0), (1, 0), (1, 1), (0, 1)])])
    centre = transform(scan_from_car, ring.mean(axis=0))
    plane = Plane(centre, axes, np.eye(3), 0.02, count, WIDE * TALL, (WIDE, TALL), np.arange(count),
                  transform(scan_from_car, ring))  # fmt: skip
    feature = Feature("hole", np.zeros(3), np.zeros(3), 1.0, 1.0, np.eye(3), np.eye(3), 1, 1, 360, 1, 0.1, plane=0)
    lost = Feature("hole", np.zeros(3), np.zeros(3), 1.0, 1.0, np.eye(3), np.eye(3), 1, 1, 360, 1, 0.1)
    return Features((plane,), (feature, lost), (), NoiseModel(0.02, 0.01, 20.0, 0.05, 0.2), STEP)


def holes(**more) -> MountPoints:
    given = dict(cov_local=np.eye(3) * 0.0025, u_diameter=0.1, face="fore", feature=0) | more
    made = [point(n, "hole", (X, y, z), (1.0, 0, 0), diameter=d, **given) for n, (y, z, d) in HOLES.items()]
    return MountPoints(tuple(made), ())
