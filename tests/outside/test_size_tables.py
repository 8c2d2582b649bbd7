"""Every table that the tool looks sizes up in, against copies of the standards typed from elsewhere.

ISO 273 and ISO 286-1: secondary copies of the standards; pitches: ISO 261 and ISO 262 as fastener handbooks have them;
minor diameters d - 1.0825 P: ISO 724. From M18 on and UNC / UNF: from memory.
"""

import math

import pytest

from barerail.outputs.fits import CLEARANCE, METRIC, TOLERANCE, UNIFIED, fits
from barerail.outputs.plate_rules import PLATE_RULES

ISO_273 = """
M6  6.4 6.6 7
M8  8.4 9 10
M10 10.5 11 12
M12 13 13.5 14.5
M14 15 15.5 16.5
M16 17 17.5 18.5
M18 19 20 21
M20 21 22 24
M24 25 26 28
"""
MINOR = {"M6": 4.917, "M8": 6.647, "M10": 8.376, "M12": 10.106, "M14": 11.835, "M16": 13.835}
FINE_MINOR = {"M10x1.25": 8.647, "M12x1.25": 10.647, "M14x1.5": 12.376}


def test_clearance_holes_of_iso_273() -> None:
    table = {row.split()[0]: tuple(map(float, row.split()[1:])) for row in ISO_273.strip().splitlines()}
    assert table == CLEARANCE


def test_tolerances_of_iso_286() -> None:
    """IT12, IT13, IT14 over 6 to 10, 10 to 18, 18 to 30 mm; H12, H13, H14 are what ISO 273 gives its series."""
    assert TOLERANCE == {"fine": (0.15, 0.18, 0.21), "medium": (0.22, 0.27, 0.33), "coarse": (0.36, 0.43, 0.52)}


def test_pitches_and_minor_diameters_of_metric_threads() -> None:
    coarse = {6: 1.0, 8: 1.25, 10: 1.5, 12: 1.75, 14: 2.0, 16: 2.0}
    pairs = [(d, p) for d, p in METRIC if coarse.get(d) == p]
    assert dict(pairs) == coarse
    assert sorted(set(METRIC) - set(pairs)) == [(10, 1.25), (12, 1.25), (14, 1.5)]
    for (d, p), minor in zip(sorted(pairs), MINOR.values()):
        assert d - 1.0825 * p == pytest.approx(minor, abs=1.1e-3)
    for (d, p), minor in zip(((10, 1.25), (12, 1.25), (14, 1.5)), FINE_MINOR.values()):
        assert d - 1.0825 * p == pytest.approx(minor, abs=1.1e-3)


def test_unified_threads() -> None:
    """1/4-20, 1/4-28, 5/16-18, 5/16-24, 3/8-16, 3/8-24, 7/16-14, 7/16-20, 1/2-13, 1/2-20, 9/16-12, 9/16-18, 5/8-11,
    5/8-18: ASME B1.1, from memory."""
    known = "1/4 20 28;5/16 18 24;3/8 16 24;7/16 14 20;1/2 13 20;9/16 12 18;5/8 11 18"
    rows = [(size, int(coarse), int(fine)) for size, coarse, fine in (row.split() for row in known.split(";"))]
    assert list(UNIFIED) == rows


@pytest.mark.parametrize(("diameter", "bolts"), [(8.4, {"M8", "M10"}), (10.05, {"M8", "M12"})])
def test_overlaps_that_a_single_diameter_can_t_tell_apart(diameter: float, bolts: set[str]) -> None:
    """8.4 mm is M8 fine clearance or tapped M10, 10.0 to 10.1 mm is M8 coarse clearance or tapped M12."""
    found = " ".join(f.fits for f in fits(diameter, 0.1))
    assert all(bolt in found for bolt in bolts)


def test_foot_plate_areas_are_dated_data() -> None:
    areas = sorted((rule.cm2, rule.bound) for rule in PLATE_RULES)
    assert areas == [(60.0, "at least"), (60.0, "at least"), (120.0, "at least"), (645.0, "at most")]
    assert math.isclose(100 * 2.54**2, 645.0, rel_tol=1e-3)
    assert all(rule.seen.isdigit() and 2000 < int(rule.seen) < 2030 for rule in PLATE_RULES)
