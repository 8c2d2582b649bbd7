"""What is said of tubes that go on through bends, and of nodes; and bent tubes in car axes, by the names of pieces."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from math import ceil

from barerail.geometry.frames import transform
from barerail.records import BentTube, Datum, Features
from barerail.stages.points.nodes import tubes_of
from barerail.stages.points.place import Placed


def remarks_on_tubes(placed: Placed, features: Features, names: Mapping[int, str]) -> Iterator[tuple[int, str]]:
    """Row of Placed and what its note says: what a tube goes on into, and how close the tubes of a node pass."""
    row = {int(k): i for i, k in enumerate(placed.found)}
    for bend in (b for tube in features.bent for b in tube.bends):
        size = f"{bend.radius:.1f} mm radius (U {_up(2 * bend.u_radius, 10):.1f} mm), {bend.angle_deg:.0f} degrees"
        for one, other in (bend.between, bend.between[::-1]):
            yield row[one], f"goes on through a bend of {size}, into {names[row[other]]}"
    for i, tubes in tubes_of(placed).items():
        d = placed.source[i].detail
        gap = f"{d['gap_mm']:.2f} mm (U {_up(2 * d['u_gap_mm'], 100):.2f} mm) apart, at {d['angle_deg']:.0f} degrees"
        yield i, f"centrelines of {' and '.join(names[t] for t in tubes)} pass {gap}"


def bent_tubes(placed: Placed, features: Features, names: Mapping[int, str], datum: Datum) -> tuple[BentTube, ...]:
    """The bent tubes in car axes, their pieces named."""
    row, m = {int(k): i for i, k in enumerate(placed.found)}, datum.car_from_scan
    return tuple(
        replace(
            b,
            bends=tuple(replace(one, arc=transform(m, one.arc)) for one in b.bends),
            centreline=transform(m, b.centreline),
            names=tuple(names[row[t]] for t in b.tubes),
        )
        for b in features.bent
    )


def _up(value: float, per: int) -> float:
    """Rounded up to whole parts: an uncertainty is never told smaller than it is."""
    return ceil(per * value - 1e-6) / per
