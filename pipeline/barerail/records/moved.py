"""What moved between two scans of one chassis."""

from collections.abc import Mapping
from dataclasses import dataclass

from barerail.records.base import Array, Frozen, Note
from barerail.records.judged import Measure


@dataclass(frozen=True, eq=False)
class Unmoved(Frozen):
    """What holds a later scan on an earlier one.

    pose (4, 4): earlier scan's mm from later scan's mm. about (3,): middle of what stayed, earlier scan's mm.
    cov (6, 6): of the pose, (shift in mm, turn in rad) about `about`, earlier scan's axes, from the surfaces alone; in
    Moves with drift of both scanners and the supports.
    places (m, 3): middles of the blocks of surface that stayed. grip (m, 3, 3): what each holds of the pose in which
    direction, sum of weight times normal by normal; all alike of points, which hold in each. share: of the surface that
    both have. spread_mm: robust standard deviation of the blocks' distances; common_mm: the part of it that neighbours
    have in common, which noise has not; of points all of it. by: found, or named.
    """

    pose: Array
    about: Array
    cov: Array
    places: Array
    grip: Array
    share: float
    spread_mm: float
    common_mm: float
    by: str
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, eq=False)
class Shift(Frozen):
    """How far a point moved: position (3,) before, shift (3,) after less before, cov (3, 3) mm2, car axes of before.

    shift, cov: of a tube or rail across its axis, of a face along its normal: the rest is no place of the part's own.
    told (3,): the shift, or where one loose direction would drown what moved, the part of it that is told.
    size_mm, U_mm: length of told and its k = 2.
    found: moved, no movement above U, not found. verdict: within, outside, not proven; empty without a limit.
    U_drift_mm, U_supports_mm: the shares of U_mm that drift of both scanners and how the frame stood make.
    """

    name: str
    kind: str
    side: str
    position: Array
    shift: Array
    told: Array
    cov: Array
    size_mm: float
    U_mm: float
    found: str
    limit_mm: float | None = None
    verdict: str = ""
    words: str = ""
    U_drift_mm: float = float("nan")
    U_supports_mm: float = float("nan")


@dataclass(frozen=True, eq=False)
class RailShift(Frozen):
    """Shift of one rail along the car, by stations: at (n, 3) before; shift and U (n, 3), nan along the rail; roll."""

    side: str
    at: Array
    shift: Array
    U: Array
    roll_deg: Array
    U_roll_deg: Array


@dataclass(frozen=True, eq=False)
class DistanceMap(Frozen):
    """Signed distance in mm (n,) of the later surface outside the earlier one at points (n, 3), and its U (n,), k = 2.

    nan where the earlier scan has no surface there.
    """

    points: Array
    distance: Array
    U: Array


@dataclass(frozen=True, eq=False)
class Moves:
    """A later scan against an earlier one, or against a drawing: in the earlier one's car axes.

    names: of earlier points by the names that the later ones had alone. added: later points without an earlier one.
    assumed: what U rests on that nobody measured: drift, and supports where they are not known of both.
    """

    unmoved: Unmoved
    shifts: tuple[Shift, ...]
    names: Mapping[str, str]
    added: tuple[str, ...]
    measures: Mapping[str, Measure]
    rails: tuple[RailShift, ...]
    map: DistanceMap | None
    notes: tuple[Note, ...] = ()
    assumed: tuple[str, ...] = ("drift",)
