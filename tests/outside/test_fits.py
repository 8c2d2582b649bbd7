"""What a hole takes, against handbook figures: diameters overlap, so the answer is a set."""

import math

import pytest

from barerail.outputs.fits import fits


def names(diameter: float, U: float) -> set[str]:
    return {f.fits for f in fits(diameter, U)}


@pytest.mark.parametrize(
    ("diameter", "both"),
    [
        (8.4, {"M8 fine clearance", "M10x1.5 tapped"}),  # minor diameter 8.376 mm, common handbook value
        (10.1, {"M8 coarse clearance", "M12x1.75 tapped"}),  # minor diameter 10.106 mm, common handbook value
    ],
)
def test_an_overlap_is_told_as_a_set(diameter: float, both: set[str]) -> None:
    assert both <= names(diameter, 0.05)


def test_u_decides_whether_m12_fine_and_medium_are_told_apart() -> None:
    assert "M12 fine clearance" not in names(13.6, 0.2)
    assert {"M12 fine clearance", "M12 medium clearance"} <= names(13.6, 0.5)


@pytest.mark.parametrize(
    ("thread", "drill"),  # usual tap drills, mm, from memory: 8.5; 5/16 in 7.94; letter I 6.91; 27/64 in 10.72
    [("M10x1.5", 8.5), ("3/8-16 UNC", 7.94), ("5/16-24 UNF", 6.91), ("1/2-13 UNC", 10.72)],
)
def test_usual_tap_drills_are_in_the_set(thread: str, drill: float) -> None:
    assert f"{thread} tapped" in names(drill, 0.1)


@pytest.mark.parametrize(
    ("thread", "largest"),  # largest minor diameter of 6H threads, mm, handbook values from memory
    [("M6x1", 5.153), ("M8x1.25", 6.912), ("M10x1.5", 8.676), ("M12x1.75", 10.441)],
)
def test_a_thread_at_its_largest_minor_diameter_is_in_the_set(thread: str, largest: float) -> None:
    assert f"{thread} tapped" in names(largest, 0.01) and f"{thread} tapped" not in names(largest + 0.1, 0.02)


@pytest.mark.parametrize(("diameter", "U"), [(math.nan, 0.1), (10.0, math.nan), (40.0, 0.5)])
def test_nothing_is_guessed_without_a_diameter_or_outside_the_tables(diameter: float, U: float) -> None:
    assert fits(diameter, U) == []
