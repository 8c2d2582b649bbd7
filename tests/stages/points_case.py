"""A chassis written down as features, for tests of the points stage: no scan, any pose."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from barerail.geometry.frames import direction, from_rotation_vector, invert, rigid, transform
from barerail.records import Array, Datum, Feature, Features, NoiseModel, Rail, Station, Wanted

POSE = rigid(from_rotation_vector([0.4, -1.1, 2.0]), [310.0, -120.0, 560.0])
"""Car from scan, an arbitrary one."""
FORE, LEFT, UP = np.eye(3)
NOISE = NoiseModel(0.1, 0.05, 25.0, drift_mm=0.05, drift_mm_per_m=0.2)


def feature(kind: str, at: Sequence[float], axis: Array, diameter: float, length: float = np.nan, **more) -> Feature:
    """A feature in car axes, as if those were the scan's."""
    more = {"cov": 0.02**2 * np.eye(3), "cov_axis": 0.001**2 * np.eye(3), **more}
    return Feature(
        kind, np.array(at, float), np.array(axis, float), diameter, length, u_diameter=0.03, u_length=0.1,
        arc_deg=360.0, n=400, rms=0.1, **more,
    )  # fmt: skip


def mirrored(f: Feature) -> Feature:
    """The feature on the other side of the car."""
    s = np.array([1.0, -1.0, 1.0])
    return replace(
        f, point=f.point * s, axis=f.axis * s, along=f.along * s, ends=f.ends * s, cov=f.cov * np.outer(s, s)
    )


def left_side() -> list[Feature]:
    """What a frame has on its left side, every kind once at least."""
    holes = [(x, 430, 280, -UP, d) for x, d in ((1212, 16), (871, 12.5), (433, 20), (-182, 12.5), (-655, 25))]
    holes += [(x, 460, 330, LEFT, d) for x, d in ((1012, 10.5), (612, 14), (222, 10.5))]
    holes += [(x, 350, 440, UP, d) for x, d in ((1711, 12.5), (2007, 18), (2223, 12.5))]
    found = [feature("hole", (x, y, z), axis, d) for x, y, z, axis, d in holes]
    found.append(feature("slot", (321, 430, 380), UP, 13, 32, along=FORE))
    found.append(feature("stud", (738, 430, 380), UP, 12, 30))
    found.append(
        feature("bolt-axis", (2161, 268, 372), FORE, 12.5, 40, ends=np.array([[2141, 268, 372], [2181, 268, 372.0]]))
    )
    found.append(feature("sleeve", (1802, 345, 460), LEFT, 16.2, 80))
    return found


def middle() -> list[Feature]:
    """Tubes across, and holes in a bulkhead that nothing mirrors."""
    tubes = [feature("tube", (x, 1.5, z), LEFT, d, 700) for x, z, d in ((2412, 400, 60.3), (466, 345, 48.3))]
    return tubes + [
        feature("hole", (303, y, z), FORE, d) for y, z, d in ((-350, 450, 20), (-151, 440, 10.5), (-4, 470, 45))
    ]


def chassis() -> list[Feature]:
    """Both sides and the middle."""
    return [*left_side(), *map(mirrored, left_side()), *middle()]


def row(count: int, pitch: float = 20.0, start: Sequence[float] = (1400.0, 430.0, 300.0)) -> list[Feature]:
    """Adjusting holes of one size along the car."""
    return [feature("hole", np.add(start, [pitch * i, 0, 0]), LEFT, 10.5) for i in range(count)]


def shaken(found: Iterable[Feature], sd: float, seed: int) -> list[Feature]:
    """The features after another scan: each point moved by normal noise of `sd` mm in each direction."""
    rng = np.random.default_rng(seed)
    return [replace(f, point=f.point + rng.normal(0, sd, 3)) for f in found]


def rail(y: float) -> Rail:
    """A box rail 60 wide and 100 high, with its section's axes along x, y, z."""
    cov = np.diag([0.03, 0.04, 0.001, 0.05, 0.05]) ** 2
    stations = [
        Station(np.array([x, y, 330.0]), np.eye(3), (60.0, 100.0), cov, (True,) * 4, 500, 0.1)
        for x in range(-600, 1301, 100)
    ]
    return Rail("box", tuple(stations))


def scanned(
    found: Sequence[Feature], rails: Sequence[Rail] = (), pose: Array = POSE, noise: NoiseModel = NOISE
) -> Features:
    """The features in the axes of a scan that `pose` (4, 4) takes to car axes."""
    back = invert(pose)
    turn = back[:3, :3]
    moved = [
        replace(
            f,
            point=transform(back, f.point),
            axis=turn @ f.axis,
            cov=turn @ f.cov @ turn.T,
            cov_axis=turn @ f.cov_axis @ turn.T,
            along=turn @ f.along,
            ends=transform(back, f.ends),
        )
        for f in found
    ]
    turned = [
        replace(
            r,
            stations=tuple(
                replace(s, centre=transform(back, s.centre), axes=direction(back, s.axes)) for s in r.stations
            ),
        )
        for r in rails
    ]
    return Features((), tuple(moved), tuple(turned), noise, 2.0)


def a_datum(pose: Array = POSE, covariance: Array | None = None, influence: tuple = ()) -> Datum:
    """A datum at `pose` with the covariance of a good one."""
    usual = np.diag([0.1, 0.05, 0.1, 1e-4, 2e-4, 1e-4]) ** 2
    cov = usual if covariance is None else covariance
    return Datum(pose, cov, "iso8855", "test", "symmetry", (), {}, {}, "mm", 1.0, influence)


def wanted(name: str, f: Feature, reach: float = 15.0, row: int = 2, moved: Sequence[float] = (0, 0, 0)) -> Wanted:
    """A row of a names file for a feature in car axes, `moved` from its place."""
    return Wanted(row, name, f.kind, tuple(np.add(f.point, moved).tolist()), reach)
