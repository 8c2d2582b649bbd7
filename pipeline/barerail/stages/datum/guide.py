"""Which way the car lies, roughly: from its rails, long faces and tubes, and from the floor."""

from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import unit
from barerail.records import Array, Features, Frozen

LONG = 300.0
"""Shorter things in mm say nothing about the direction of the car."""


@dataclass(frozen=True, eq=False)
class Guide(Frozen):
    """Unit vectors along the car and across it, scan axes, sign open; None unknown."""

    along: Array | None
    across: Array | None

    def likely(self, normal: Array) -> bool:
        """Whether a mirror plane of this normal can be the centre plane of the car: across the rails, not along."""
        if self.across is not None:
            return bool(abs(float(normal @ self.across)) > np.cos(np.radians(30)))
        return self.along is None or bool(abs(float(normal @ self.along)) < np.sin(np.radians(20)))


def guide_of(features: Features, floor: Array | None) -> Guide:
    """Along: the direction of most of the length of rails, long faces and tubes. Across: the way those lie apart."""
    things = _long_things(features)
    up = None if floor is None else unit(floor[:3])
    if not things:
        return Guide(None, None)
    centre, direction, length = (np.array(v) for v in zip(*things))
    values, vectors = np.linalg.eigh((direction * length[:, None]).T @ direction)
    if values[2] < 0.5 * values.sum():
        return Guide(None, None)
    along = vectors[:, 2]
    parallel = np.abs(direction @ along) > np.cos(np.radians(15))
    return Guide(along, _across(centre[parallel], length[parallel], along, up))


def _long_things(features: Features) -> list[tuple[Array, Array, float]]:
    """Centre, direction and length of each rail, long face and long tube; rails of tubes are among the tubes."""
    things = []
    for rail in (r for r in features.rails if r.section != "tube"):
        ends = rail.stations[-1].centre - rail.stations[0].centre
        middle = np.mean([s.centre for s in rail.stations], axis=0)
        things.append((middle, ends, 2 * float(np.linalg.norm(ends))))
    things += [(p.centre, p.axes[0], p.extent[0]) for p in features.planes if p.extent[0] > 2 * p.extent[1]]
    things += [(f.point, f.axis, f.length) for f in features.found if f.kind == "tube"]
    return [(c, unit(d), size) for c, d, size in things if size > LONG]


def _across(centre: Array, length: Array, along: Array, up: Array | None) -> Array | None:
    """The way along things lie apart; None where they lie apart as far in height as in width."""
    if up is not None and np.linalg.norm(np.cross(up, along)) > 0.5:
        return unit(np.cross(up, along))
    if len(centre) < 2:
        return None
    off = centre - np.average(centre, axis=0, weights=length)
    off -= np.outer(off @ along, along)
    values, vectors = np.linalg.eigh((off * length[:, None]).T @ off)
    return vectors[:, 2] if values[2] > 4 * values[1] else None
