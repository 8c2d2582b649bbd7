"""Fit on hand-made scans that lack something, or hold far too much of it: the truth is the construction in fit_case."""

import numpy as np
import pytest
from fit_case import Points, Scanner, as_scan
from test_fit import back, found_in, of_kind, posed

from barerail.errors import DataError


def test_a_patch_missing_from_the_scan_is_no_hole() -> None:
    s = Scanner(np.random.default_rng(103))
    points = s.box(400, 50, 70, 5)
    lost = (np.hypot(points.at[:, 0] - 80, points.at[:, 1]) < 9) & (points.at[:, 2] > 30)
    features = found_in(posed(s, Points(points.at[~lost], points.out[~lost])))
    assert features.found == ()


def test_a_sheet_full_of_holes() -> None:
    """Two hundred holes in one face; the spacing shows each of them."""
    s = Scanner(np.random.default_rng(105), 3.0)
    holes = [(x, y, 8.0) for x in np.linspace(-300, 300, 20) for y in np.linspace(-140, 140, 10)]
    points = s.flat((660, 320), 0.0, True, holes) + s.flat((660, 320), -3.0, False, holes)
    for hole in holes:
        points += s.wall(hole, -3.0, 0.0)
    found = of_kind(found_in(posed(s, points)), "hole")
    assert len(found) > 0.95 * len(holes)
    at = np.array([back(f.point)[:2] for f in found])
    nearest = [np.hypot(*(at - [x, y]).T).min() for x, y, _ in holes]
    assert np.median(nearest) < 0.1 and len(found) <= len(holes)


@pytest.mark.parametrize("shape", ["dust", "ball"])
def test_a_cloud_without_a_flat_face_is_refused_in_one_line(shape: str) -> None:
    rng = np.random.default_rng(106)
    way = rng.standard_normal((15_000, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    radius = 400 * rng.random((15_000, 1)) ** (1 / 3) if shape == "dust" else 100.0
    with pytest.raises(DataError, match="no flat face") as refused:
        found_in(as_scan(radius * way, way.astype(np.float32)))
    assert "\n" not in str(refused.value)
