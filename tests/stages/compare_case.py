"""A frame made by hand, scanned twice, bent in between, and what compare says of it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from datum_case import case, straight

from barerail.asked import CompareSettings
from barerail.geometry.frames import invert, transform
from barerail.records import Array, CleanScan, Datum, Features, Moves, NoiseModel
from barerail.settings import PointsSettings
from barerail.stages.compare import Earlier, compare, laid, later_car
from barerail.stages.points import points

QUIET = NoiseModel(0.1, 0.0, 5.0, 0.02, 0.0)
LOW, HIGH = -900.0, 2100.0
Bend = Callable[[Array], Array]


def car(pose: Array) -> Datum:
    return Datum(invert(pose), np.eye(6) * 1e-8, "iso8855", "", "given", (), {}, {}, "mm", 1.0)


def scanned(seed: int, bend: Bend = straight, clutter: float = 0.1) -> tuple[CleanScan, Features, Array]:
    clean, features, car_from_scan = case(seed, noise=0.1, bend=bend, clutter=clutter)
    return clean, replace(features, noise=QUIET), invert(car_from_scan)


def earlier(seed: int = 1) -> tuple[Earlier, Array]:
    clean, features, pose = scanned(seed)
    return Earlier(clean, features, car(pose), points(features, car(pose), (), PointsSettings())), pose


def compared(
    bend: Bend = straight, keep: Callable[[Array], Array] | None = None, start: bool = True, **asked: object
) -> tuple[Moves, Array, Array]:
    """Moves of a frame scanned again from elsewhere with other noise and clutter; the earlier and the later pose."""
    before, first = earlier()
    clean, features, second = scanned(2, bend, clutter=0.3)
    if keep is not None:
        clean, features = cut(clean, features, keep, second)
    settings = CompareSettings(**asked)
    unmoved = laid(before, clean, car(second) if start else None, settings)
    found = points(features, later_car(before.datum, unmoved), (), PointsSettings())
    return compare(before, clean, features, found, unmoved, settings), first, second


def cut(
    clean: CleanScan, features: Features, keep: Callable[[Array], Array], pose: Array
) -> tuple[CleanScan, Features]:
    """Only what lies where `keep` of its place in the car says so."""
    rows = keep(transform(invert(pose), clean.thin))
    n = int(rows.sum())
    part = replace(
        clean,
        scan=replace(clean.scan, points=clean.thin[rows]),
        thin=clean.thin[rows],
        normals=clean.normals[rows],
        flat=clean.flat[rows],
        label=clean.label[rows],
        order=np.arange(n),
        start=np.arange(n + 1),
    )
    found = tuple(f for f in features.found if keep(transform(invert(pose), f.point)[None])[0])
    return part, replace(features, found=found, rails=(), planes=())


def pulled(p: Array) -> Array:
    """A weld's pull: 4 mm inboard and down on the right rail about x = 420, standard deviation 120 mm."""
    near = np.exp(-((p[:, 0] - 420) ** 2 + (p[:, 1] + 400) ** 2) / (2 * 120**2))
    return p + 4 * near[:, None] * np.array([0.0, 0.8, -0.6])
