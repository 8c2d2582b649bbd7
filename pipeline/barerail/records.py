"""Frozen records that flow between stages, scan to report.

Lengths are mm, angles rad unless a name says deg. Arrays are float64 and read-only.
Points of a scan stand in *scan axes*: the coordinates of the (first) scan file, already in mm.
Car axes are x forward, y left, z up (ISO 8855) until an export asks for others.
A covariance is of standard uncertainties (k = 1); `U` in outputs is k = 2.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Progress = Callable[[float], None]
"""Called by a long stage with the share done, 0 to 1."""

CHASSIS, SPECK, FLOOR, STAND, CLUTTER = 0, 1, 2, 3, 4
LABELS = ("chassis", "speck", "floor", "stand", "clutter")
KINDS = ("hole", "slot", "stud", "bolt-axis", "sleeve", "tube", "tube-node", "rail", "face")


def _nan3() -> Array:
    return np.full(3, np.nan)


def _no_rows() -> Array:
    return np.zeros((0, 3))


def _no_neighbours() -> NDArray[np.int32]:
    return np.zeros((0, 0), np.int32)


def no_progress(share: float) -> None:
    """The default `Progress`: says nothing."""


class Frozen:
    """Base of the records: arrays are made read-only when the record is made."""

    def __post_init__(self) -> None:
        for f in fields(self):  # type: ignore[arg-type]
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray) and value.flags.writeable:
                view = value.view()
                view.flags.writeable = False
                object.__setattr__(self, f.name, view)


@dataclass(frozen=True)
class Note:
    """Something a stage saw, dropped or assumed, said to the user: `count` things, and why."""

    stage: str
    text: str
    count: int = 1
    warning: bool = False


@dataclass(frozen=True, eq=False)
class Tie(Frozen):
    """How well a joined scan's pose is held.

    cov (6, 6): of (shift in mm, turn in rad) about the point `about`, first scan's axes, from the surfaces or common
    points alone; reach_mm: how far the scan goes on from what it shares with others; joints: how many lie between it
    and the first scan.
    """

    about: Array
    cov: Array
    reach_mm: float
    joints: int


@dataclass(frozen=True)
class Joint:
    """Two scans (indices in Scan.sources) tied to each other: by `frame`, `points` or `overlap`.

    share: of the smaller one's surface that both have. residual_mm: median distance of the two surfaces (of the common
    points: rms). gap_mm, gap_deg: by how much this pair alone misses what the chain of the others says; nan on a chain.
    """

    first: int
    second: int
    by: str
    share: float
    residual_mm: float
    gap_mm: float = float("nan")
    gap_deg: float = float("nan")


@dataclass(frozen=True)
class CommonPoint:
    """One place seen in a scan: its name, the scan file's name, and where, in that file's own unit. row: its line."""

    row: int
    name: str
    scan: str
    position: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Source(Frozen):
    """One scan file. `rows` are its points in Scan.points; `pose` (4, 4) maps its mm to the first file's mm.

    tie: None for the first file, and before joining.
    """

    name: str
    sha256: str
    bytes: int
    rows: tuple[int, int]
    pose: Array
    spacing_mm: float = float("nan")
    noise_mm: float = float("nan")
    mm_per_unit: float = 1.0
    tie: Tie | None = None


@dataclass(frozen=True, eq=False)
class Scan(Frozen):
    """What was read: points (n, 3) in mm, normals (n, 3) or None, triangles (t, 3) or None for a cloud.

    As read, each source stands in its own axes; joined, all stand in the first one's.
    """

    points: Array
    normals: NDArray[np.float32] | None
    triangles: NDArray[np.int32] | None
    unit: str
    mm_per_unit: float
    unit_assumed: bool
    sources: tuple[Source, ...]
    notes: tuple[Note, ...] = ()
    joints: tuple[Joint, ...] = ()


@dataclass(frozen=True, eq=False)
class CleanScan(Frozen):
    """A scan with its thinned copy.

    thin (m, 3): mean point of each cell of `voxel_mm` (split by side of thin sheet where normals allow).
    normals (m, 3): unit; outward (towards the scanner) where `oriented`.
    flat (m,): rms angle in rad between a thin point's normal and its neighbours'.
    label (m,): one of CHASSIS, SPECK, FLOOR, STAND, CLUTTER.
    near (m, k): nearest thinned points that face the same way, nearest first, -1 for none.
    order (n_kept,), start (m + 1,): full-resolution rows of cell i are order[start[i]:start[i + 1]].
    """

    scan: Scan
    thin: Array
    normals: Array
    oriented: bool
    flat: Array
    label: NDArray[np.uint8]
    order: Index
    start: Index
    voxel_mm: float
    spacing_mm: float
    noise_mm: float
    floor: Array | None
    notes: tuple[Note, ...] = ()
    near: NDArray[np.int32] = field(default_factory=_no_neighbours)


@dataclass(frozen=True)
class NoiseModel:
    """Covariance of residuals of two surface points h mm apart: white at h = 0, plus corr exp(-h / length)."""

    white_mm: float
    corr_mm: float
    corr_length_mm: float
    drift_mm: float
    drift_mm_per_m: float

    @property
    def sigma_mm(self) -> float:
        """Standard deviation of one point, mm."""
        return float(np.hypot(self.white_mm, self.corr_mm))


@dataclass(frozen=True, eq=False)
class Plane(Frozen):
    """A flat face. axes (3, 3): rows u, v, n with n outward where oriented; u is the long direction.

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
    oriented: bool

    @property
    def normal(self) -> Array:
        return self.axes[2]


@dataclass(frozen=True, eq=False)
class Feature(Frozen):
    """Anything that gets bolted to or welded on, in scan axes; what `point` is for each kind: outputs contract.

    cov (3, 3) mm2 of the point and cov_axis (3, 3) rad2 of the axis, from the fit alone. axis is zeros for none.
    along: long direction of a slot. plane: index of its face in Features.planes, -1 for none.
    members: indices in Features.found this one is built from. ends (k, 3): both inner-face points of a bracket,
    both ends of a tube's seen centreline, both face centres of a hole seen from both sides.
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
    along: Array = field(default_factory=_nan3)
    plane: int = -1
    members: tuple[int, ...] = ()
    ends: Array = field(default_factory=_no_rows)
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
    """A box, channel or tube rail as a chain of stations in order. `dropped` stations had too little surface."""

    section: str
    stations: tuple[Station, ...]
    dropped: int = 0


@dataclass(frozen=True, eq=False)
class Features:
    """What `fit` found, in scan axes."""

    planes: tuple[Plane, ...]
    found: tuple[Feature, ...]
    rails: tuple[Rail, ...]
    noise: NoiseModel
    spacing_mm: float
    notes: tuple[Note, ...] = ()


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
    """One row of a names file: a feature the user named, and where to look for it, in car axes."""

    row: int
    name: str
    kind: str
    position: tuple[float, float, float]
    reach_mm: float = 15.0


@dataclass(frozen=True, eq=False)
class MountPoint(Frozen):
    """A labelled point in car axes. cov: datum, drift and scale included; cov_local: the fit alone.

    by_datum (3, 6): derivative of the position with respect to the datum's six numbers.
    feature: index in Features.found, -1 where it is not a measured one. face: up, down, fore, aft, inboard, outboard.
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
    along: Array = field(default_factory=_nan3)
    ends: Array = field(default_factory=_no_rows)
    detail: Mapping[str, float] = field(default_factory=dict)
    feature: int = -1


@dataclass(frozen=True, eq=False)
class Pair(Frozen):
    """A left point and its mirrored right one: right mirrored less left, mm, and its covariance (datum cancels)."""

    left: str
    right: str
    difference: Array
    cov: Array


@dataclass(frozen=True, eq=False)
class MountPoints:
    """The labelled points and left/right pairs."""

    points: tuple[MountPoint, ...]
    pairs: tuple[Pair, ...]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Measure:
    """One value with its expanded uncertainty (k = 2); value None where the scan can't show it, and why."""

    value: float | None
    U: float | None
    unit: str
    reason: str = ""


@dataclass(frozen=True, eq=False)
class StationPair(Frozen):
    """The left and right rail at one x of the car. left, right (3,): centres in car axes. roll in deg, nan unseen."""

    x: float
    left: Array
    right: Array
    roll_deg: tuple[float, float]
    twist_deg: float
    U_twist_deg: float
    used: bool
    cov_left: Array
    cov_right: Array


@dataclass(frozen=True, eq=False)
class Straightness:
    """Frame straightness: measures by name (twist_deg, diamond_mm, ...), each with U; verdicts against limits."""

    measures: Mapping[str, Measure]
    from_x_mm: float
    to_x_mm: float
    gauge_width_mm: float
    stations: tuple[StationPair, ...]
    verdicts: Mapping[str, str]
    assumed: tuple[str, ...]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Measured:
    """A straight distance between two points measured by hand. U_mm: its own U (k = 2), None where not stated.

    given: where it stands, like `tape.csv line 3`.
    """

    given: str
    a: str
    b: str
    length_mm: float
    U_mm: float | None = None


@dataclass(frozen=True)
class Compared:
    """A hand measurement against the points. U_mm (k = 2): of the difference, both shares; the datum has none in it."""

    a: str
    b: str
    expected_mm: float
    measured_mm: float
    U_mm: float
    agrees: bool


@dataclass(frozen=True)
class Check:
    """What hand measurements say of the scan's lengths. scale: hand over scan, with U_scale (k = 2); nan for none.

    state: not checked, passed, failed (a length disagrees), not proven (U_scale too large to tell).
    """

    rows: tuple[Compared, ...]
    scale: float
    U_scale: float
    state: str
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class Written:
    """Files that an output gives, by path in the job folder, and what is to be said about them."""

    files: Mapping[str, bytes]
    notes: tuple[Note, ...] = ()
