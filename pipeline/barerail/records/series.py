"""Many cars of one kind: how their named points spread."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from barerail.records.base import Array, Frozen, Note


@dataclass(frozen=True, eq=False)
class Car(Frozen):
    """The named points of one scan: names (k), at (k, 3) in car axes, cov (k, 3, 3) mm2 of the measurement; kinds,
    diameters (k,) mm with their standard uncertainty, axis (k, 3) unit vectors. car, operator: which car was scanned,
    and by whom, where said. axes: iso8855 or iso4130."""

    scan: str
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    at: Array
    cov: Array
    diameter: Array
    u_diameter: Array
    axis: Array
    car: str = ""
    operator: str = ""
    axes: str = "iso8855"

    def picked(self, rows: Sequence[int]) -> "Car":
        """The car with these of its points."""
        at = list(rows)
        arrays = {key: getattr(self, key)[at] for key in ("at", "cov", "diameter", "u_diameter", "axis")}
        return replace(self, names=tuple(self.names[i] for i in at), kinds=tuple(self.kinds[i] for i in at), **arrays)


@dataclass(frozen=True)
class Spread:
    """One number over the cars. sd: as seen. own_U: k = 2 of one measurement. between: sd from car to car alone, with
    its 95 % interval from low to high; nan with fewer than three cars."""

    n: int
    mean: float
    sd: float
    least: float
    greatest: float
    own_U: float
    between: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class PointSpread(Frozen):
    """One named point over the cars: x, y, z each, covariance (3, 3) as seen, mean diameter and its U (k = 2), places
    (n, 3) by scan with the measurement's own covariances (n, 3, 3)."""

    name: str
    kind: str
    axes: tuple[Spread, Spread, Spread]
    cov: Array
    diameter: float
    U_diameter: float
    scans: tuple[str, ...]
    at: Array
    own: Array


@dataclass(frozen=True)
class Zone:
    """Diameter in mm within which the place of a point, or of each hole of a pattern, lies in a `share` of the cars at
    `confidence`: 2 `factor` times the cars' own worst standard deviation. kind, diameter_mm: of the point, mean.

    told_apart: False where the cars' own spread is smaller than the measurement's: then the zone is that of what was
    seen, the measurement's share in it, an upper figure.
    """

    name: str
    kind: str
    diameter_mm: float
    U_diameter_mm: float
    share: float
    confidence: float
    factor: float
    zone_mm: float
    told_apart: bool


@dataclass(frozen=True)
class GaugeSplit:
    """Analysis of variance of repeated scans: standard deviations, mm, of each source."""

    name: str
    axis: str
    repeatability: float
    reproducibility: float
    cars: float


@dataclass(frozen=True, eq=False)
class Series:
    """Spread of points and lengths over cars, in `axes`; odd: scans that don't belong and why."""

    cars: int
    points: tuple[PointSpread, ...]
    lengths: Mapping[str, Spread]
    zones: tuple[Zone, ...]
    gauge: tuple[GaugeSplit, ...]
    odd: Mapping[str, str]
    without_odd: "Series | None" = None
    notes: tuple[Note, ...] = ()
    axes: str = "iso8855"
