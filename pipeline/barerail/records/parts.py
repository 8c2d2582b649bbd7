"""What lies between points and the parts that go on them."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.records.base import Array, Frozen, Note
from barerail.records.judged import Measure


@dataclass(frozen=True)
class Relation:
    """Two named points, and what lies between them by name: distance_mm, dx_mm, angle_deg, ..., each with U (k = 2)."""

    a: str
    b: str
    measures: Mapping[str, Measure]


@dataclass(frozen=True)
class Between:
    """Relations of all pairs of the points asked for."""

    relations: tuple[Relation, ...]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, eq=False)
class PatternHole(Frozen):
    """A hole of a part in its own drawing, mm: name, centre (3,), diameter, and the point it is for, if said."""

    name: str
    at: Array
    diameter: float
    point: str = ""


@dataclass(frozen=True, eq=False)
class HoleFit(Frozen):
    """A hole of a part over a point. off (2,): the bolt's offset in the part's drawing axes, mm, where it sits best.

    room_mm: offset that the fastener allows; under_mm: how far the point lies below the part's face; U_mm: k = 2 of
    the offset; lean_deg: the point's axis from the part's normal, nan for none.
    """

    hole: str
    point: str
    off: Array
    room_mm: float
    under_mm: float
    U_mm: float
    lean_deg: float

    @property
    def left_mm(self) -> float:
        """Clearance left, mm; below 0 the hole fouls."""
        return self.room_mm - float(np.linalg.norm(self.off))


@dataclass(frozen=True, eq=False)
class BoltOn(Frozen):
    """Whether a part goes on. car_from_part (4, 4); of `draws` within U, `goes_on` did; rms_mm: of the offsets."""

    holes: tuple[HoleFit, ...]
    car_from_part: Array
    rms_mm: float
    draws: int
    goes_on: int
    bolt: str
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, eq=False)
class Shape(Frozen):
    """A part as triangles (t, 3) over vertices (n, 3), mm, own axes. off_mm: how far they may lie off its faces."""

    name: str
    vertices: Array
    triangles: NDArray[np.int64]
    off_mm: float


@dataclass(frozen=True, eq=False)
class Spot(Frozen):
    """A place where part and scan come near, car axes, mm: the gap, below 0 where the part goes in, its U (k = 2); the
    nearest places of the scan and of the part (3,), and across how many mm the scan is nearer than asked."""

    gap_mm: float
    U_mm: float
    on_scan: Array
    on_part: Array
    across_mm: float


@dataclass(frozen=True, eq=False)
class Room:
    """Where a part comes near the scan, nearest first: the least gap, and each place under the gap asked for."""

    spots: tuple[Spot, ...]
    asked_mm: float
    size_mm: tuple[float, float, float]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, eq=False)
class Cope(Frozen):
    """The cut of a branch tube that sits on a main one, unrolled. turn (n,): rad round it from the narrow angle.

    outside, inside (n,): how far up the branch from the node its outer and inner surface leave the main tube, mm; U_mm:
    k = 2, the largest of the outer line. angle_deg and offset_mm: of the axes, with U. node, out, lean, side (3,): car
    axes. od_mm, to_od_mm: outside diameters; od_from, to_od_from: where they come from.
    """

    turn: Array
    outside: Array
    inside: Array
    U_mm: float
    angle_deg: Measure
    offset_mm: Measure
    node: Array
    out: Array
    lean: Array
    side: Array
    od_mm: float
    to_od_mm: float
    od_from: str
    to_od_from: str
    wall_mm: float
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, eq=False)
class Flat(Frozen):
    """A flat place, car axes, mm. normal (3,): out of it. flat_mm: width of the band that holds 95 % of it.

    tilt_deg: from level, with U. disc (3,): middle of the largest round foot that it holds, disc_mm its diameter.
    edge_mm: from the place asked for, put onto the flat, to its nearest edge or hole; 0 where that lies beside it.
    """

    area_cm2: float
    flat_mm: float
    tilt_deg: Measure
    centre: Array
    normal: Array
    disc: Array
    disc_mm: float
    edge_mm: float
    away_mm: float


@dataclass(frozen=True, eq=False)
class Flats:
    """Flat places near a point of the car, nearest first."""

    about: Array
    flats: tuple[Flat, ...]
    spacing_mm: float
    notes: tuple[Note, ...] = ()
