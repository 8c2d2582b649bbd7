"""What is found in a scan, in scan axes."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from barerail.records.base import Array, Frozen, Index, Note, nan3, no_rows


@dataclass(frozen=True)
class NoiseModel:
    """Covariance of residuals of points h mm apart: white^2 at h = 0, plus corr^2 exp(-(h / length)^power)."""

    white_mm: float
    corr_mm: float
    corr_length_mm: float
    drift_mm: float
    drift_mm_per_m: float
    power: float = 1.0

    @property
    def sigma_mm(self) -> float:
        """Standard deviation of one point, mm."""
        return float(np.hypot(self.white_mm, self.corr_mm))


@dataclass(frozen=True, eq=False)
class Plane(Frozen):
    """A flat face. axes (3, 3): rows u, v, n with n outward; u is the long direction.

    cov (3, 3): of (offset along n at the centre in mm, turn about u in rad, turn about v in rad).
    members: thin points of the patch. outline (k, 3): a ring of corners. extent: length along u and v.
    """

    centre: Array
    axes: Array
    cov: Array
    rms: float
    n: int
    area_mm2: float
    extent: tuple[float, float]
    members: Index
    outline: Array

    @property
    def normal(self) -> Array:
        return self.axes[2]


@dataclass(frozen=True, eq=False)
class Feature(Frozen):
    """Anything that gets bolted to or welded on, in scan axes; what `point` is for each kind: outputs contract.

    cov (3, 3) mm2 of the point and cov_axis (3, 3) rad2 of the axis, from the fit alone. axis is zeros for none.
    along: long direction of a slot. plane: index of its face in Features.planes, -1 for none.
    members: indices in Features.found this one is built from, a node's tubes too. ends (k, 3): both inner-face points
    of a bracket, both ends of a tube's seen centreline, both face centres of a hole or mounting face seen from both
    sides.
    detail: further measured values by name (thickness_mm, gap_mm, u_thickness_mm, ...).
    """

    kind: str
    point: Array
    axis: Array
    diameter: float
    length: float
    cov: Array
    cov_axis: Array
    u_diameter: float
    u_length: float
    arc_deg: float
    n: int
    rms: float
    along: Array = field(default_factory=nan3)
    plane: int = -1
    members: tuple[int, ...] = ()
    ends: Array = field(default_factory=no_rows)
    detail: Mapping[str, float] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True, eq=False)
class Station(Frozen):
    """One section of a rail. axes (3, 3): rows along, b, c (the section's two face directions), right-handed.

    size: outside width along b and along c, nan where one face of the pair wasn't seen.
    cov (5, 5): of (centre along b, centre along c in mm, roll about `along` in rad, size b, size c in mm).
    seen: faces +b, -b, +c, -c that were seen.
    """

    centre: Array
    axes: Array
    size: tuple[float, float]
    cov: Array
    seen: tuple[bool, bool, bool, bool]
    n: int
    rms: float


@dataclass(frozen=True, eq=False)
class Rail(Frozen):
    """A box, channel or tube rail as a chain of stations in order, whose axes are named alike all along.

    dropped: how many stations had too little surface, or weren't the rail's own.
    """

    section: str
    stations: tuple[Station, ...]
    dropped: int = 0


@dataclass(frozen=True, eq=False)
class TubeBend(Frozen):
    """A circular arc by which one straight piece of a round tube goes on into the next.

    between: indices of both tubes in Features.found. radius of the centreline, u_radius: its standard uncertainty, mm.
    angle_deg: by how much the tube turns. arc (k, 3): the centreline from the first tube to the second.
    """

    between: tuple[int, int]
    radius: float
    u_radius: float
    angle_deg: float
    arc: Array
    n: int
    rms: float


@dataclass(frozen=True, eq=False)
class BentTube(Frozen):
    """Straight pieces of round tube with bends between them: one tube with one centreline.

    tubes: indices in Features.found in order, one more than bends; names: theirs, once they have any.
    centreline (k, 3): from the seen end of the first to that of the last, arcs in steps of a few degrees.
    """

    tubes: tuple[int, ...]
    bends: tuple[TubeBend, ...]
    centreline: Array
    names: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Features:
    """What `fit` found, in scan axes."""

    planes: tuple[Plane, ...]
    found: tuple[Feature, ...]
    rails: tuple[Rail, ...]
    noise: NoiseModel
    spacing_mm: float
    notes: tuple[Note, ...] = ()
    bent: tuple[BentTube, ...] = ()
