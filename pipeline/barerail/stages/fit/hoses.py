"""Straight pieces of hoses and cables: thin tubes that go on bent, where no bend leads to another straight piece."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from barerail.errors import DataError
from barerail.geometry.cylinder import fit_cylinder
from barerail.records import Array, BentTube, Feature, Index, Note
from barerail.stages.fit.chains import at_high_end
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.cylinders import on_cylinder

WIDEST_MM = 26.0
"""Wider tubes stay: a chassis's are 25 mm and more where they carry (judgement)."""
SKIN = 0.5
"""Share of the skin of a tube one diameter long that must lie beyond an end, off the tube: 0.6 and more on simulated
hoses, 0.1 at most on what a thin tube is welded to."""
LIKE = 0.2
"""Share by which the radius may change (judgement)."""
TURN = np.cos(np.radians(30.0))
"""A tube that goes on at a larger angle is another one, mitred on (judgement)."""
FEWEST = 12


def without_hoses(
    found: Sequence[Feature], bent: Sequence[BentTube], cloud: Cloud
) -> tuple[list[Feature], tuple[BentTube, ...], tuple[Note, ...]]:
    """What of `found` is no piece of a hose, bent tubes by their new numbers, and how many pieces were dropped.

    Bent tubes of which an end goes on so are dropped whole.
    """
    bends = {(i, at_high_end(found[i], b)) for tube in bent for b in tube.bends for i in b.between}
    thin = [i for i, f in enumerate(found) if f.kind == "tube" and f.diameter < WIDEST_MM]
    gone = {i for i in thin if any((i, e) not in bends and _goes_on(found[i], e, cloud) for e in (False, True))}
    gone = gone.union(*(tube.tubes for tube in bent if gone.intersection(tube.tubes)))
    kept = [i for i in range(len(found)) if i not in gone]
    place = {i: k for k, i in enumerate(kept)}
    left = tuple(_renumbered(tube, place) for tube in bent if not gone.intersection(tube.tubes))
    why = "straight pieces of hoses dropped: thin, and they go on bent with no bend to another straight piece"
    return [found[i] for i in kept], left, (Note("fit", why, len(gone)),) if gone else ()


def _goes_on(tube: Feature, high: bool, cloud: Cloud) -> bool:
    """Whether a tube's skin goes on beyond an end for one diameter, as wide as before and off the tube's own line."""
    way = tube.axis if high else -tube.axis
    rows = _beyond(tube, way, cloud)
    if len(rows) < FEWEST:
        return False
    points = cloud.surface.points[rows]
    try:
        next_one = fit_cylinder(points, tube.axis, points.mean(axis=0), tube.diameter / 2, robust=True)
    except DataError:
        return False
    on = on_cylinder(cloud.surface, rows, next_one.axis, next_one.point, next_one.radius)
    on &= ~on_cylinder(cloud.surface, rows, tube.axis, tube.point, tube.diameter / 2)
    whole = np.radians(tube.arc_deg) * tube.diameter**2 / 2 / cloud.surface.cell_area
    alike = abs(2 * next_one.radius / tube.diameter - 1) < LIKE and abs(next_one.axis @ tube.axis) > TURN
    return bool(alike and on.sum() > SKIN * whole)


def _beyond(tube: Feature, way: Array, cloud: Cloud) -> Index:
    """Rows of the surface up to a diameter beyond the end of a tube that `way` points to, and as near to its axis."""
    d, end = tube.diameter, tube.point + tube.length / 2 * way
    rows = np.array(cloud.tree.query_ball_point(end + 0.6 * d * way, 1.3 * d, return_sorted=True), np.int64)
    off = cloud.surface.points[rows] - end
    along = off @ way
    near = np.linalg.norm(off - along[:, None] * way, axis=1) < 1.2 * d
    return rows[(along > 0.1 * d) & (along < 1.1 * d) & near]


def _renumbered(tube: BentTube, place: dict[int, int]) -> BentTube:
    bends = (replace(b, between=(place[b.between[0]], place[b.between[1]])) for b in tube.bends)
    return replace(tube, tubes=tuple(place[i] for i in tube.tubes), bends=tuple(bends))
