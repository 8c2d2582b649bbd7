"""What a round hole may have been made for: every clearance hole and tapped thread its diameter is consistent with."""

import math
from typing import NamedTuple

INCH = 25.4
TOLERANCE = {"fine": (0.15, 0.18, 0.21), "medium": (0.22, 0.27, 0.33), "coarse": (0.36, 0.43, 0.52)}
"""IT12, IT13 and IT14 (ISO 286-1) in mm, over 6 to 10, 10 to 18, 18 to 30 mm: secondary copy of the standard."""
CLEARANCE = {
    "M6": (6.4, 6.6, 7.0),
    "M8": (8.4, 9.0, 10.0),
    "M10": (10.5, 11.0, 12.0),
    "M12": (13.0, 13.5, 14.5),
    "M14": (15.0, 15.5, 16.5),
    "M16": (17.0, 17.5, 18.5),
    "M18": (19.0, 20.0, 21.0),
    "M20": (21.0, 22.0, 24.0),
    "M24": (25.0, 26.0, 28.0),
}
"""ISO 273, mm: fine (H12), medium (H13), coarse (H14); secondary copy of the standard to M16, from memory above."""
METRIC = ((6, 1.0), (8, 1.25), (10, 1.5), (10, 1.25), (12, 1.75), (12, 1.25), (14, 2.0), (14, 1.5), (16, 2.0))
"""Major diameter and pitch, mm: the coarse series of ISO 261 and the usual fine threads of vehicles."""
UNIFIED = (
    ("1/4", 20, 28),
    ("5/16", 18, 24),
    ("3/8", 16, 24),
    ("7/16", 14, 20),
    ("1/2", 13, 20),
    ("9/16", 12, 18),
    ("5/8", 11, 18),
)
"""Size in inches, threads an inch UNC and UNF (ASME B1.1, from memory)."""


class Fit(NamedTuple):
    """One candidate: hole diameters from `low` to `high` mm, and where they come from."""

    fits: str
    low_mm: float
    high_mm: float
    source: str


def fits(diameter: float, U: float) -> list[Fit]:
    """All candidates that [diameter - U, diameter + U] mm touches, smallest first; none where either isn't finite.

    A clearance hole has its nominal diameter plus its tolerance. A tapped hole shows its minor diameter: the basic one,
    d - 1.0825 P (ISO 724), plus up to the tolerance 0.23 P^0.7 of grade 6 (ISO 965-1, formula from memory; for inch
    threads taken over). Paint, wear and punching are not allowed for.
    """
    if not (math.isfinite(diameter) and math.isfinite(U)):
        return []
    touched = [f for f in _ALL if f.low_mm <= diameter + U and diameter - U <= f.high_mm]
    return sorted(touched, key=lambda f: (f.low_mm, f.fits))


def _clearance() -> list[Fit]:
    return [
        Fit(f"{bolt} {series} clearance", d, round(d + TOLERANCE[series][(d > 10) + (d > 18)], 3), "ISO 273")
        for bolt, sizes in CLEARANCE.items()
        for series, d in zip(TOLERANCE, sizes)
    ]


def _tapped(name: str, major: float, pitch: float, standard: str) -> Fit:
    low = major - 1.0825 * pitch
    return Fit(f"{name} tapped", round(low, 3), round(low + 0.23 * pitch**0.7, 3), f"{standard}, ISO 965-1 grade 6")


def _unified() -> list[Fit]:
    series = [(size, "UNC", unc) for size, unc, _ in UNIFIED] + [(size, "UNF", unf) for size, _, unf in UNIFIED]
    return [_tapped(f"{s}-{n} {name}", _inches(s) * INCH, INCH / n, "ASME B1.1") for s, name, n in series]


def _inches(size: str) -> float:
    above, below = size.split("/")
    return int(above) / int(below)


_ALL = (*_clearance(), *(_tapped(f"M{d}x{p:g}", d, p, "ISO 261, ISO 724") for d, p in METRIC), *_unified())
