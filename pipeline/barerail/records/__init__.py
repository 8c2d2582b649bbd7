"""Frozen records that flow between stages, scan to report.

Lengths are mm, angles rad unless a name says deg. Arrays are float64 and read-only.
Points of a scan stand in *scan axes*: the coordinates of the (first) scan file, already in mm.
Car axes are x forward, y left, z up (ISO 8855) until an export asks for others.
A covariance is of standard uncertainties (k = 1); `U` in outputs is k = 2.
"""

from barerail.records.base import (
    CHASSIS,
    CLUTTER,
    FLOOR,
    KINDS,
    LABELS,
    SPECK,
    STAND,
    Array,
    Frozen,
    Index,
    Note,
    Progress,
    no_progress,
)
from barerail.records.features import (
    Feature,
    Features,
    NoiseModel,
    Plane,
    Rail,
    Station,
)
from barerail.records.judged import (
    Bay,
    Check,
    Compared,
    Measure,
    Measured,
    Reading,
    StationPair,
    Straightness,
    Written,
)
from barerail.records.moved import DistanceMap, Moves, RailShift, Shift, Unmoved
from barerail.records.points import (
    Datum,
    Group,
    Influence,
    MountPoint,
    MountPoints,
    Pair,
    Wanted,
)
from barerail.records.scan import (
    CleanScan,
    CommonPoint,
    Joint,
    Scan,
    Source,
    Tie,
)
from barerail.records.series import Car, GaugeSplit, PointSpread, Series, Spread, Zone

__all__ = [
    "CHASSIS",
    "CLUTTER",
    "FLOOR",
    "KINDS",
    "LABELS",
    "SPECK",
    "STAND",
    "Array",
    "Bay",
    "Car",
    "Check",
    "CleanScan",
    "CommonPoint",
    "Compared",
    "Datum",
    "DistanceMap",
    "Feature",
    "Features",
    "Frozen",
    "GaugeSplit",
    "Group",
    "Index",
    "Influence",
    "Joint",
    "Measure",
    "Measured",
    "MountPoint",
    "MountPoints",
    "Moves",
    "NoiseModel",
    "Note",
    "Pair",
    "Plane",
    "PointSpread",
    "Progress",
    "Rail",
    "RailShift",
    "Reading",
    "Scan",
    "Series",
    "Shift",
    "Source",
    "Spread",
    "Station",
    "StationPair",
    "Straightness",
    "Tie",
    "Unmoved",
    "Wanted",
    "Written",
    "Zone",
    "no_progress",
]
