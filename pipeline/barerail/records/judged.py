"""What is said about the frame: straightness, hand measurements; and what is written of it."""

from collections.abc import Mapping
from dataclasses import dataclass

from barerail.records.base import Array, Frozen, Note


@dataclass(frozen=True)
class Measure:
    """One value with its expanded uncertainty (k = 2); value None where the scan can't show it, and why.

    U_drift, U_supports: the shares of U that the scanner's drift and how the frame stood make.
    """

    value: float | None
    U: float | None
    unit: str
    reason: str = ""
    U_drift: float | None = None
    U_supports: float | None = None


@dataclass(frozen=True)
class Reading:
    """A distance as a tape or a tram gauge reads it: straight, and in plan (seen from above). U_mm: k = 2, of both."""

    what: str
    a: str
    b: str
    length_mm: float
    plan_mm: float
    U_mm: float


@dataclass(frozen=True)
class Bay:
    """Two left/right pairs: both sides, both widths, both diagonals. difference_mm: of the diagonals, left-front less
    right-front one, in plan; ahead_mm: left ahead of right that this difference means."""

    readings: tuple[Reading, ...]
    difference_mm: float
    U_difference_mm: float
    ahead_mm: float


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
    """Frame straightness: measures by name (twist_deg, diamond_mm, ...), each with U; verdicts against limits.

    sits_mm: from and to x between which the twist sits, where that can be told. bays: what a tape reads, rear to front.
    rails: which round tubes were taken for the rails, in words; empty where box or channel rails are.
    """

    measures: Mapping[str, Measure]
    from_x_mm: float
    to_x_mm: float
    gauge_width_mm: float
    stations: tuple[StationPair, ...]
    verdicts: Mapping[str, str]
    assumed: tuple[str, ...]
    notes: tuple[Note, ...] = ()
    sits_mm: tuple[float, float] | None = None
    bays: tuple[Bay, ...] = ()
    rails: str = ""


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
