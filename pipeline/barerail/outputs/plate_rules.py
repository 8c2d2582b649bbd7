"""Foot-plate areas that rule books ask for: dated data from secondary copies, to look at, never a verdict."""

from typing import NamedTuple


class PlateRule(NamedTuple):
    """book: rule and where the text was seen; cm2: least (or most) area; more: what else it says."""

    book: str
    cm2: float
    bound: str
    more: str
    seen: str


PLATE_RULES = (
    PlateRule(
        "FIA App. J 253-8.3.2.6, main, front and lateral feet", 120.0, "at least", "plate 3 mm, three bolts", "2009"
    ),
    PlateRule("FIA App. J 253-8.3.2.6, backstays", 60.0, "at least", "", "2009"),
    PlateRule("Motorsport UK NCR 2026, backstays", 60.0, "at least", "", "2026"),
    PlateRule("SCCA GCR, welded plates", 645.0, "at most", "100 in2, sides 2 to 12 in, .080 in thick", "2006"),
)
CHECK = "areas as copies of the books read in the year given: check your current book; this tool passes nothing"
