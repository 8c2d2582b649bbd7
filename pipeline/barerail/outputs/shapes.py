"""What a drawing shows of each point: circles to snap to, axes at their length, slot outlines; and the datum planes."""

import numpy as np

from barerail.records import Array, MountPoint

MARK_MM = 10.0
"""Length of a mark that shows a direction only: the way out of a face, along a rail."""
MARGIN_MM = 100.0
WITH_LENGTH = ("bolt-axis", "sleeve", "tube", "stud", "axis")
"""Kinds whose `length` runs along their axis."""


def located(point: MountPoint) -> bool:
    """False for a point that was asked for and not found."""
    return bool(np.isfinite(point.position).all())


def axis_ends(p: MountPoint) -> Array | None:
    """Both ends (2, 3) of the axis, mm: its length where the kind has one, else `MARK_MM`; None for no axis."""
    if not np.any(p.axis):
        return None
    length = p.length if p.kind in WITH_LENGTH and p.length > 0 else MARK_MM
    span = (-0.5, 0.5) if p.kind in ("bolt-axis", "sleeve", "tube", "axis") else (0.0, 1.0)
    return p.position + np.outer(span, p.axis) * length


def circles(p: MountPoint) -> Array:
    """Centres (k, 3) of the circles of p.diameter across p.axis: in each face of a hole, at both ends of an axis."""
    if not p.diameter > 0 or not np.any(p.axis):
        return np.zeros((0, 3))
    if p.kind == "hole":
        far = p.ends[np.linalg.norm(p.ends - p.position, axis=1) > 1e-6]
        return np.vstack([p.position, far])
    ends = axis_ends(p) if p.kind in WITH_LENGTH and p.length > 0 else None
    return np.zeros((0, 3)) if ends is None else ends


def slot_corners(p: MountPoint) -> Array | None:
    """The ends (4, 3) of a slot's straight sides, counter-clockwise about its axis; arcs from rows 1 to 2 and 3 to 0.

    None where `p` is no slot or its width, length or long direction isn't known.
    """
    if p.kind != "slot" or not (p.diameter > 0 and p.length > p.diameter and np.isfinite(p.along).all()):
        return None
    across = np.cross(p.axis, p.along)
    across /= np.linalg.norm(across)
    half, r = (p.length - p.diameter) / 2, p.diameter / 2
    return p.position + np.array([(-half, -r), (half, -r), (half, r), (-half, r)]) @ [np.cross(across, p.axis), across]


def datum_planes(points: tuple[MountPoint, ...]) -> dict[str, Array]:
    """The planes x = 0, y = 0 and z = 0 as rectangles (4, 3) that reach past all points and the origin."""
    at = np.vstack([np.zeros((1, 3)), *(p.position[None] for p in points if located(p))])
    low = np.floor(at.min(0) / MARGIN_MM - 1) * MARGIN_MM
    high = np.ceil(at.max(0) / MARGIN_MM + 1) * MARGIN_MM
    planes = {}
    for k, name in enumerate("xyz"):
        u, v = (k + 1) % 3, (k + 2) % 3
        corners = np.zeros((4, 3))
        corners[:, u] = low[u], high[u], high[u], low[u]
        corners[:, v] = low[v], low[v], high[v], high[v]
        planes[f"datum plane {name} = 0"] = corners
    return planes
