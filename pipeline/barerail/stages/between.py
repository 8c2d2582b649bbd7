"""Between two names: distance, differences, the angles of the line and of the axes, each with the joint U."""

from collections.abc import Callable, Sequence
from itertools import combinations

import numpy as np

from barerail.asked import BetweenSettings
from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.line import closest
from barerail.geometry.together import Together, derivative, together
from barerail.records import Array, Between, Datum, Measure, MountPoint, MountPoints, NoiseModel, Note, Relation

DEG = 180 / np.pi
LINES = ("tube", "rail")
ANGLES = {1: "plan", 2: "side", 3: "front"}
"""The view that shows two car axes, by the sum of their numbers."""


def between(points: MountPoints, datum: Datum, noise: NoiseModel, settings: BetweenSettings) -> Between:
    """What lies between each two of the points asked for, car axes.

    distance_mm; dx_mm, dy_mm, dz_mm: b less a; line_plan_deg, line_side_deg, line_front_deg: the line from a to b
    against the car axis it runs along most, in the views that show it. Where both have an axis: angle_deg between the
    axes (0 to 90), apart_mm: their distance as lines, and meet_x_mm, ...: the middle of where they come closest, unless
    they are nearer to parallel than `least_deg`. U: k = 2, joint (`geometry.together`): what the datum and the drift do
    to both alike cancels. UsageError: fewer than two names, an unknown one; DataError: one that wasn't found.
    """
    chosen = _chosen(points, settings.points)
    pairs = [
        Relation(a.name, b.name, _measures(a, b, points, datum, noise, settings)) for a, b in combinations(chosen, 2)
    ]
    loose = [p.name for p in chosen if p.kind in LINES]
    told = f"{', '.join(loose)}: its place along its axis is where it was seen, so only apart_mm is a length"
    return Between(tuple(pairs), (Note("between", told, 1, True),) if loose else ())


def _chosen(points: MountPoints, names: Sequence[str]) -> list[MountPoint]:
    known = {p.name: p for p in points.points}
    if len(set(names)) < 2 or len(set(names)) < len(names):
        raise UsageError("give two or more different names")
    for name in names:
        if name not in known:
            raise no_point(name, known)
        if not np.isfinite(known[name].position).all():
            raise DataError(f"{name} was not found in the scan: {known[name].note or 'no coordinates'}")
    return [known[name] for name in names]


def _measures(
    a: MountPoint, b: MountPoint, points: MountPoints, datum: Datum, noise: NoiseModel, settings: BetweenSettings
) -> dict[str, Measure]:
    joint = together(points, (a.name, b.name), datum, noise)
    out: dict[str, Measure] = {}

    def add(names: Sequence[str], values: Array, cov: Array) -> None:
        for name, value, u in zip(names, values, 2 * np.sqrt(np.maximum(np.diag(cov), 0.0))):
            out[name] = Measure(float(value), float(u), name.rpartition("_")[2])

    way, j = derivative(lambda v: v[1, :3] - v[0, :3], joint.values)
    out["distance_mm"] = _length(way, joint.through(j), "mm")
    add(("dx_mm", "dy_mm", "dz_mm"), way, joint.through(j))
    if np.linalg.norm(way) > settings.least_mm:
        names, angles = _line_angles(way)
        add(names, *_carried(lambda v: angles(v[1, :3] - v[0, :3]), joint))
    if np.any(a.axis) and np.any(b.axis):
        turned, cov = _carried(_turn, joint)
        angle = _length(DEG * turned, DEG**2 * cov, "deg")
        out["angle_deg"] = angle
        if (angle.value or 0.0) < settings.least_deg:
            out["apart_mm"] = _length(*_carried(_beside, joint), "mm")
        else:
            add(("apart_mm", "meet_x_mm", "meet_y_mm", "meet_z_mm"), *_carried(_meeting, joint))
    return out


def _carried(of: Callable[[Array], Array], joint: Together) -> tuple[Array, Array]:
    """Values of `of` and their covariance."""
    values, j = derivative(of, joint.values)
    return values, joint.through(j)


def _length(vector: Array, cov: Array, unit: str) -> Measure:
    """Length of a vector with its U: along it, or the worst way where it is no longer than its own uncertainty."""
    length = float(np.linalg.norm(vector))
    worst = float(np.sqrt(max(0.0, np.linalg.eigvalsh(cov)[-1])))
    along = max(0.0, float(vector @ cov @ vector)) ** 0.5 / length if length > 2 * worst else worst
    return Measure(length, 2 * along, unit)


def _line_angles(way: Array) -> tuple[list[str], Callable[[Array], Array]]:
    """Names of the angles of a line, and the function that gives them."""
    along = int(np.argmax(np.abs(way)))
    sign = np.sign(way[along])
    beside = [k for k in range(3) if k != along]

    def angles(w: Array) -> Array:
        return np.array([np.degrees(np.arctan2(sign * w[k], sign * w[along])) for k in beside])

    return [f"line_{ANGLES[along + k]}_deg" for k in beside], angles


def _turn(v: Array) -> Array:
    """The turn from one axis to the other as a vector, rad: its length is the angle between the lines."""
    a, b = _unit(v[0, 3:]), _unit(v[1, 3:])
    b = b if a @ b >= 0 else -b
    cross = np.cross(a, b)
    sine = float(np.linalg.norm(cross))
    return cross * (np.arctan2(sine, float(a @ b)) / sine if sine > 1e-9 else 1.0)


def _beside(v: Array) -> Array:
    """From one of two parallel lines across to the other one's place."""
    a, way = _unit(v[0, 3:]), v[1, :3] - v[0, :3]
    return way - (way @ a) * a


def _meeting(v: Array) -> Array:
    """Distance of two lines, and the middle of where they come closest."""
    p, a, q, b = v[0, :3], _unit(v[0, 3:]), v[1, :3], _unit(v[1, 3:])
    s, t = closest(p, a, q, b)
    n = _unit(np.cross(a, b))
    return np.concatenate([[abs(float(n @ (q - p)))], (p + s * a + q + t * b) / 2])


def _unit(v: Array) -> Array:
    return v / np.linalg.norm(v)
