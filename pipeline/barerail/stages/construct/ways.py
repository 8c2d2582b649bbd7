"""The ways to construct a point: each from the places and axes (k, 6) of others to a place, an axis, and more."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np

from barerail.errors import DataError
from barerail.geometry.circle import fit_circle
from barerail.geometry.plane import fit_plane
from barerail.records import Array, MountPoint

CAR_AXES = {"x": 0, "y": 1, "z": 2}
NO_AXIS = np.zeros(3)
VIEWS = {1: "plan_deg", 2: "side_deg", 3: "front_deg"}
"""The view that shows two car axes, by the sum of their numbers."""


class Made(NamedTuple):
    """A constructed place (3,) mm and axis (3,), zeros for none, and further values by name."""

    place: Array
    axis: Array
    more: Mapping[str, float]


Way = Callable[[Array, Mapping[str, Any], tuple[MountPoint, ...]], Made]


def offset(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """`by_mm` along the point's own axis or an axis of the car."""
    way = given["along"]
    along = _unit(of[0, 3:]) if way == "axis" else np.eye(3)[CAR_AXES[way]]
    return Made(of[0, :3] + given["by_mm"] * along, of[0, 3:], {})


def middle(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """The mean of two or more places."""
    return Made(of[:, :3].mean(axis=0), NO_AXIS, {})


def line(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """The line from one place to another: its middle, its direction, and its angles to the car axis it runs along most.

    plan_deg is seen from above, side_deg from the side, front_deg from ahead; positive where the line, followed towards
    forward, left or up, goes to the first of (up, left, forward) that the view shows beside it.
    """
    way = of[1, :3] - of[0, :3]
    start = points[1].position - points[0].position
    along = int(np.argmax(np.abs(start)))
    ahead = way * np.sign(start[along])
    more = {"length_mm": float(np.linalg.norm(way))}
    for beside in (k for k in (2, 1, 0) if k != along):
        more[VIEWS[along + beside]] = float(np.degrees(np.arctan2(ahead[beside], ahead[along])))
    return Made(of[:, :3].mean(axis=0), way / more["length_mm"], more)


def pierce(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """Where an axis goes through a plane: that of a second point, across its axis, or a station of the car."""
    along = _unit(of[0, 3:])
    if len(of) == 2:
        normal = _unit(of[1, 3:])
        level = float(normal @ of[1, :3])
    else:
        ((letter, level),) = ((k, float(given[k])) for k in CAR_AXES if k in given)
        normal = np.eye(3)[CAR_AXES[letter]]
    slide = (level - normal @ of[0, :3]) / (normal @ along)
    angle = float(np.degrees(np.arcsin(min(1.0, abs(float(normal @ along))))))
    return Made(of[0, :3] + slide * along, of[0, 3:], {"to_plane_deg": angle})


def nearest(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """Mid-way between two axes where they come closest; gap_mm: their distance there."""
    feet = closest(of)
    gap = float(np.linalg.norm(feet[1] - feet[0]))
    return Made(feet.mean(axis=0), NO_AXIS, {"gap_mm": gap, "angle_deg": angle_between(of)})


def eye(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """The centre of a joint or an eye in a two-tab bracket, its spacers given from the axis's start to its end."""
    start, end = given["spacers_mm"]
    half = points[0].length / 2
    room = points[0].length - start - end
    width = given.get("width_mm", room)
    # against the tab where the axis starts and against the other one, the mean of both
    along = ((-half + start + width / 2) + (half - end - width / 2)) / 2
    return Made(of[0, :3] + along * _unit(of[0, 3:]), of[0, 3:], {"room_mm": room, "play_mm": room - width})


def plane(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """The middle of three or more places and the normal of the plane through them (least squares)."""
    fit = fit_plane(of[:, :3])
    return Made(fit.centre, fit.normal, _off(off_plane_mm=fit.residuals))


def circle(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """The centre, plane and pitch-circle diameter of a pattern of three or more holes."""
    fit = fit_plane(of[:, :3])
    flat = (of[:, :3] - fit.centre) @ fit.axes[:2].T
    ring = fit_circle(flat)
    more = {"pcd_mm": 2 * ring.radius, **_off(off_plane_mm=fit.residuals, off_circle_mm=ring.residuals)}
    return Made(fit.centre + ring.centre @ fit.axes[:2], fit.normal, more)


def through(of: Array, given: Mapping[str, Any], points: tuple[MountPoint, ...]) -> Made:
    """One bolt through holes in both walls: mid-way between the two outer faces, along the line through both centres.

    outside_mm: between the outer faces along the bolt; lean_deg: the bolt from the mean normal of the faces.
    """
    way = of[1, :3] - of[0, :3]
    outward = [_unit(a) * np.copysign(1.0, side * float(a @ way)) for a, side in zip(of[:, 3:], (-1, 1))]
    deep = [max([0.0, *((end - p.position) @ n for end in p.ends)]) for p, n in zip(points, outward)]
    outer = of[:, :3] + np.array(deep)[:, None] * outward
    length = float(np.linalg.norm(outer[1] - outer[0]))
    axis, normal = (outer[1] - outer[0]) / length, _unit(outward[1] - outward[0])
    lean = float(np.degrees(np.arctan2(np.linalg.norm(np.cross(axis, normal)), float(axis @ normal))))
    return Made(outer.mean(axis=0), axis, {"outside_mm": length, "lean_deg": lean})


WAYS: Mapping[str, Way] = {
    way.__name__: way for way in (offset, middle, line, pierce, nearest, eye, plane, circle, through)
}


def closest(of: Array) -> Array:
    """Feet (2, 3) of the shortest line between two axes (2, 6). DataError where they are parallel."""
    p, a, q, b = of[0, :3], _unit(of[0, 3:]), of[1, :3], _unit(of[1, 3:])
    across = np.cross(a, b)
    if across @ across < 1e-12:
        raise DataError("the two axes are parallel, so no place of theirs is the closest")
    s, t = np.linalg.lstsq(np.column_stack([a, -b]), q - p)[0]
    return np.array([p + s * a, q + t * b])


def angle_between(of: Array) -> float:
    """Angle between two axes (2, 6) as lines, 0 to 90 degrees."""
    a, b = _unit(of[0, 3:]), _unit(of[1, 3:])
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), abs(float(a @ b)))))


def _off(**residuals: Array) -> dict[str, float]:
    """Largest residual by name, mm; none for three points, which any plane and circle fits."""
    return {name: float(np.abs(r).max()) for name, r in residuals.items() if len(r) > 3}


def _unit(v: Array) -> Array:
    return v / np.linalg.norm(v)
