"""The tabs of two-tab brackets as what a template is of: each tab's hole, and the tab's own face."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from barerail.errors import DataError
from barerail.geometry.frames import direction, transform
from barerail.records import Array, Datum, Features, MountPoint, Plane
from barerail.records.base import no_rows

ENDS = ("start", "end")
"""Tabs of a bolt axis NAME are NAME-start, the rear, right or lower one, and NAME-end."""
ACROSS = np.cos(np.radians(8.0))
THICKEST_MM, LARGEST_MM, BESIDE_MM = 16.0, 250.0, 5.0


def with_tabs(points: Sequence[MountPoint], features: Features, datum: Datum) -> tuple[MountPoint, ...]:
    """The points, and after them the hole of each tab of each measured bolt axis whose tab was found as a face."""
    tabs = [
        tab
        for p in points
        if p.kind == "bolt-axis" and p.state == "measured" and len(p.ends) == 2
        for tab in _tabs(p, features, datum)
    ]
    return (*points, *tabs)


def tab_plane(hole: MountPoint, features: Features, datum: Datum) -> Plane:
    """The face of the tab that a hole of `with_tabs` sits in. DataError where none was found."""
    m = datum.car_from_scan
    found = [p for p in features.planes if _is_tab(p, hole.position, hole.axis, m)]
    if not found:
        raise DataError(f"the tab of {hole.name} was not found as a flat face: nothing to draw a template of")
    return max(found, key=lambda p: p.area_mm2)


def _tabs(p: MountPoint, features: Features, datum: Datum) -> list[MountPoint]:
    """A tab's hole lies on its face, as large as measured there; the axis carries the U of both to each end."""
    order = np.argsort(p.ends @ p.axis, kind="stable")
    half = float(np.linalg.norm(p.ends[1] - p.ends[0])) / 2
    made = []
    for name, k in zip(ENDS, order):
        away = p.axis if name == "end" else -p.axis
        hole = replace(
            p,
            name=f"{p.name}-{name}",
            kind="hole",
            partner="",
            position=p.ends[k],
            axis=away,
            diameter=p.detail.get(f"diameter_{'ab'[k]}_mm", p.diameter),
            u_diameter=np.sqrt(2.0) * p.u_diameter,
            length=p.detail.get(f"tab_{'ab'[k]}_mm", float("nan")),
            cov_local=p.cov_local + half**2 * p.cov_axis,
            ends=no_rows(),
        )
        try:
            plane = tab_plane(hole, features, datum)
        except DataError:
            continue
        made.append(replace(hole, position=_on(plane, hole, datum.car_from_scan)))
    return made


def _on(plane: Plane, hole: MountPoint, m: Array) -> Array:
    """Where the bolt's line passes through a face."""
    normal = direction(m, plane.normal)
    return hole.position + hole.axis * float(
        (transform(m, plane.centre) - hole.position) @ normal / (hole.axis @ normal)
    )


def _is_tab(plane: Plane, at: Array, away: Array, m: Array) -> bool:
    """Whether a face is a tab's inner or outer one: across the bolt, small, about the hole, no thicker than a tab."""
    axes = direction(m, plane.axes)
    step = at - transform(m, plane.centre)
    lean = float(axes[2] @ away)
    if abs(lean) < ACROSS or max(plane.extent) > LARGEST_MM:
        return False
    depth = -float(step @ axes[2]) / lean
    beside = np.abs(axes[:2] @ (step + depth * away))
    return bool(-2.0 < depth < THICKEST_MM and (beside < np.array(plane.extent) / 2 + BESIDE_MM).all())
