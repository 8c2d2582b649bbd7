"""Car axes of three standards, each turned into each other: where they count to, and where a hole on the left ends up.

ISO 8855:2011 (x forward, y left, z up), ISO 4130:1978 (x rearward, y right, z up) and SAE J670e:1976 (x forward, y
right, z down): what each axis points to, from published summaries of the standards.
"""

import numpy as np
import pytest

from barerail.geometry.frames import transform
from barerail.outputs.view import View
from barerail.outputs.words import AXES
from barerail.records import Datum

POINTS_TO = {
    "iso8855": ("forward", "left", "up"),
    "iso4130": ("rearward", "right", "up"),
    "j670": ("forward", "right", "down"),
}
OPPOSITE = {"rearward": "forward", "right": "left", "down": "up"}
FORWARD, LEFT, UP = 1200.0, 400.0, 150.0
"""Where the hole truly is, mm: ahead of the origin, on the left, above."""


def reads(axes: str) -> list[float]:
    """x, y, z of the hole as a standard counts them, from what its axes point to alone."""
    at = {"forward": FORWARD, "left": LEFT, "up": UP}
    return [at[word] if word in at else -at[OPPOSITE[word]] for word in POINTS_TO[axes]]


@pytest.mark.parametrize("asked", POINTS_TO)
@pytest.mark.parametrize("own", ["iso8855", "iso4130"])
def test_a_hole_on_the_left_reads_as_the_standard_counts(own, asked):
    datum = Datum(np.eye(4), np.zeros((6, 6)), own, "", "given", (), {}, {}, "mm", 1.0)
    turn = View(asked).matrix(datum)
    np.testing.assert_allclose(transform(turn, np.array([reads(own)]))[0], reads(asked), rtol=0, atol=1e-12)
    assert np.linalg.det(turn[:3, :3]) == pytest.approx(1.0)


def test_each_file_says_which_way_its_axes_point():
    assert AXES == POINTS_TO
