"""The datum, and the points labelled in it."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import nan
from typing import Any

import numpy as np

from barerail.records.base import Array, Frozen, Note, nan3, no_rows
from barerail.records.features import BentTube


@dataclass(frozen=True, eq=False)
class Influence(Frozen):
    """How the datum moves with one feature: d(tx, ty, tz, rx, ry, rz) / d(point), (6, 3), about the car origin."""

    feature: int
    matrix: Array


@dataclass(frozen=True, eq=False)
class Datum(Frozen):
    """Car axes from scan axes (both mm), with the covariance (6, 6) of (tx, ty, tz mm; rx, ry, rz rad).

    Small rotations about the fixed car axes, at the car origin: a point q moves by t + r x q. scale: whether lengths
    were checked by hand, in words.
    """

    car_from_scan: Array
    covariance: Array
    axes: str
    origin: str
    method: str
    assumed: tuple[str, ...]
    recipe: Mapping[str, Any]
    evidence: Mapping[str, Any]
    scan_unit: str
    mm_per_scan_unit: float
    influence: tuple[Influence, ...] = ()
    notes: tuple[Note, ...] = ()
    scale: str = "SCALE NOT CHECKED when this was written; check.json has what hand measurements say"


@dataclass(frozen=True)
class Wanted:
    """One row of a names file: a feature the user named, and where to look for it, in car axes.

    diameter_mm: nan where the file says none. tubes: names of both tubes of a node, where the file tells them.
    """

    row: int
    name: str
    kind: str
    position: tuple[float, float, float]
    reach_mm: float = 15.0
    diameter_mm: float = nan
    tubes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class MountPoint(Frozen):
    """A labelled point in car axes. cov: datum, drift and scale included; cov_local: the fit alone.

    by_datum (3, 6): derivative of the position with respect to the datum's six numbers.
    feature: index in Features.found, -1 where it is not a measured one. face: up, down, fore, aft, inboard, outboard.
    measured: where state is mirrored or averaged, the point as measured; None where it wasn't seen.
    group: name of the hole pattern it belongs to. tubes: names of both tubes of a node.
    """

    name: str
    kind: str
    side: str
    partner: str
    position: Array
    axis: Array
    diameter: float
    length: float
    cov: Array
    cov_local: Array
    cov_axis: Array
    by_datum: Array
    u_diameter: float
    u_length: float
    arc_deg: float
    n: int
    rms: float
    state: str
    note: str
    face: str = ""
    along: Array = field(default_factory=nan3)
    ends: Array = field(default_factory=no_rows)
    detail: Mapping[str, float] = field(default_factory=dict)
    feature: int = -1
    measured: "MountPoint | None" = None
    group: str = ""
    tubes: tuple[str, ...] = ()

    @property
    def bore_unseen(self) -> bool:
        """Whether it is a sleeve whose diameter is the outside's, no bore having been seen."""
        return self.detail.get("bore_seen") == 0.0

    @property
    def opening_mm(self) -> float:
        """Diameter in mm of what a bolt goes through; nan where that wasn't seen."""
        return float("nan") if self.bore_unseen else self.diameter


@dataclass(frozen=True, eq=False)
class Pair(Frozen):
    """A left point and its mirrored right one: right mirrored less left, mm, and its covariance (datum cancels)."""

    left: str
    right: str
    difference: Array
    cov: Array


@dataclass(frozen=True, eq=False)
class Group(Frozen):
    """Holes on one face that form a pattern, in car axes, mm: a row, square, rectangle, grid or bolt-circle.

    holes: names (k). centre (3,). pitch: along and across, circle: diameter through the holes, lean_deg: what the
    angle between columns and rows is more than 90 degrees; nan where a shape has none; u_: standard uncertainties.
    off (k, 3): each hole less its ideal place, u_off (k,). difference (3,): between partners, the right pattern's
    centre mirrored less the left one's, and its covariance; nan without a partner.
    """

    name: str
    shape: str
    side: str
    partner: str
    holes: tuple[str, ...]
    centre: Array
    pitch: tuple[float, float]
    u_pitch: tuple[float, float]
    circle: float
    u_circle: float
    lean_deg: float
    u_lean_deg: float
    off: Array
    u_off: Array
    difference: Array = field(default_factory=nan3)
    cov: Array = field(default_factory=lambda: np.full((3, 3), np.nan))


@dataclass(frozen=True, eq=False)
class Built(Frozen):
    """What a constructed point is built on: names of measured points, and its derivative (6, 6k) by their place and
    axis; own (6, 6): covariance of its own, of typed-in values and of play."""

    on: tuple[str, ...]
    jacobian: Array
    own: Array


@dataclass(frozen=True, eq=False)
class MountPoints:
    """The labelled points, left/right pairs and hole patterns. built: of each constructed or entered point by name.
    bent: bent tubes in car axes, with the names of their straight pieces."""

    points: tuple[MountPoint, ...]
    pairs: tuple[Pair, ...]
    notes: tuple[Note, ...] = ()
    groups: tuple[Group, ...] = ()
    built: dict[str, Built] = field(default_factory=dict)
    bent: tuple[BentTube, ...] = ()

    def as_measured(self) -> "MountPoints":
        """The points where they were measured, for what judges the frame; copies of the other side left out."""
        own = (p.measured or p for p in self.points)
        return replace(self, points=tuple(p for p in own if p.state not in ("mirrored", "averaged")))


@dataclass(frozen=True)
class Construction:
    """One entry of a list of constructed points. at: where it stands, like `pivots.toml point 3 (name)`.

    of: names that it is built from. values: what else was given, by key.
    """

    at: str
    name: str
    how: str
    of: tuple[str, ...]
    values: Mapping[str, Any]
