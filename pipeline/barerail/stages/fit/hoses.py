"""Straight pieces of hoses and cables: thin tubes that go on bent, where no bend leads to another straight piece."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from barerail.errors import DataError
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.records import Array, Feature, Index, Note, TubeBend
from barerail.stages.fit.chains import at_high_end
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import SAME_AXIS, on_cylinder

WIDEST_MM = 24.5
"""Wider tubes stay: those that carry are 25 mm and more (judgement); simulated hoses are 10 to 24 mm."""
SKIN = 0.5
"""Share of the skin of a tube one diameter long that must lie beyond an end, off the tube: 0.6 and more on simulated
hoses; no simulated chassis has tubes as thin, so that what they are welded to is from hand-made ones alone."""
LIKE = 0.1
"""Share by which the radius may change: 0.07 on simulated hoses, beyond it is a step (judgement)."""
LEAST, SLIGHT, MOST = np.cos(np.radians([2.0, 15.0, 32.0]))
"""Angles at which a hose goes on over its first diameter: by less it is a step in a straight tube, by more a mitre or a
branch (judgement); simulated hoses turn by up to 31 degrees there. Into a piece of a hose that was found it must turn
slightly: a tube may be mitred to one."""
FEWEST = 12


def without_hoses(
    found: Sequence[Feature], bends: Sequence[TubeBend], cloud: Cloud
) -> tuple[list[Feature], list[TubeBend], tuple[Note, ...]]:
    """What of `found` is no piece of a hose, bends by their new numbers, and how many pieces were dropped.

    What bends lead to from a piece of a hose is of it too.
    """
    ends = {(i, at_high_end(found[i], b)) for b in bends for i in b.between}
    thin = [i for i, f in enumerate(found) if f.kind == "tube" and f.diameter < WIDEST_MM]
    gone: set[int] = set()
    while more := {i for i in thin if i not in gone and _is_hose(i, gone, ends, found, cloud)}:
        gone |= more
        for _ in bends:
            gone = gone.union(*(b.between for b in bends if gone.intersection(b.between)))
    kept = [i for i in range(len(found)) if i not in gone]
    place = {i: k for k, i in enumerate(kept)}
    left = [replace(b, between=(place[b.between[0]], place[b.between[1]])) for b in bends if b.between[0] in place]
    why = "straight pieces of hoses dropped: thin, and they go on bent with no bend to another straight piece"
    return [found[i] for i in kept], left, (Note("fit", why, len(gone)),) if gone else ()


def _is_hose(i: int, gone: set[int], ends: set[tuple[int, bool]], found: Sequence[Feature], cloud: Cloud) -> bool:
    """Whether a tube goes on bent at an end that no bend is at, as no other tube, or slightly as none that stays."""
    others = [k for k, f in enumerate(found) if k != i and f.kind == "tube"]
    rest = [found[k] for k in others if k not in gone]
    free = [end for end in (False, True) if (i, end) not in ends]
    if any(_goes_on(found[i], end, [found[k] for k in others], MOST, cloud) for end in free):
        return True
    return len(rest) < len(others) and any(_goes_on(found[i], end, rest, SLIGHT, cloud) for end in free)


def _goes_on(tube: Feature, high: bool, others: Sequence[Feature], most: float, cloud: Cloud) -> bool:
    """Whether a tube's skin goes on beyond an end for one diameter, as wide as before, off the tube's own line by less
    than the angle of cosine `most`, and as none of the others."""
    way = tube.axis if high else -tube.axis
    rows = _beyond(tube, way, cloud)
    if len(rows) < FEWEST:
        return False
    points = cloud.surface.points[rows]
    try:
        bent = fit_cylinder(points, tube.axis, points.mean(axis=0), tube.diameter / 2, robust=True)
    except DataError:
        return False
    on = on_cylinder(cloud.surface, rows, bent.axis, bent.point, bent.radius)
    on &= ~on_cylinder(cloud.surface, rows, tube.axis, tube.point, tube.diameter / 2)
    whole = np.radians(tube.arc_deg) * tube.diameter**2 / 2 / cloud.surface.cell_area
    alike = abs(2 * bent.radius / tube.diameter - 1) < LIKE and most < abs(bent.axis @ tube.axis) < LEAST
    return bool(alike and on.sum() > SKIN * whole and not any(_is_of(bent, points, f) for f in others))


def _is_of(bent: CylinderFit, points: Array, tube: Feature) -> bool:
    """Whether what goes on is a piece of a tube that was found: a mitre or a branch."""
    off = points.mean(axis=0) - tube.point
    along = float(off @ tube.axis)
    beside = np.linalg.norm(off - along * tube.axis) < 0.25 * tube.diameter and abs(along) < tube.length / 2 + 5
    return bool(beside and abs(bent.axis @ tube.axis) > SAME_AXIS)


def _beyond(tube: Feature, way: Array, cloud: Cloud) -> Index:
    """Rows of the surface up to a diameter beyond the end of a tube that `way` points to, and as near to its axis."""
    d, end = tube.diameter, tube.point + tube.length / 2 * way
    rows = np.array(cloud.tree.query_ball_point(end + 0.6 * d * way, 1.3 * d, return_sorted=True), np.int64)
    off = cloud.surface.points[rows] - end
    along = off @ way
    near = np.linalg.norm(off - along[:, None] * way, axis=1) < 1.2 * d
    return rows[(along > 0.1 * d) & (along < 1.1 * d) & near]
