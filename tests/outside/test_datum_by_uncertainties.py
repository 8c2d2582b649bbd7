"""U of a point in car axes by an independent package: from the fits of the datum's features to the point.

Source: `uncertainties` 3.2 (E. O. Lebigot), linear propagation of correlated inputs with derivatives by differences of
the whole calculation, the datum included (JCGM 100:2008, 5.2.2).
"""

from dataclasses import replace

import numpy as np
import pytest
import uncertainties

from barerail.geometry.frames import transform
from barerail.records import NoiseModel
from barerail.settings import DatumSettings, PointsSettings
from barerail.stages.datum import datum
from barerail.stages.points import points
from stages.datum_case import case

STILL = NoiseModel(0.1, 0.0, 5.0, 0.0, 0.0)
CARRY = (0, 1, 2, 3)
"""The features that the datum rests on: two pairs at the rear."""
UNIT = 1000.0
"""The package takes differences in steps of 1.5e-8 of a reading: readings are this far off, mm."""


@pytest.fixture(scope="module")
def frame():
    clean, features, truth = case(31)
    rng = np.random.default_rng(8)
    found = tuple(replace(f, cov=f.cov + _spd(rng)) for f in features.found)
    names = {f"f{i}": {"kind": f.kind, "at_scan_mm": f.point.tolist()} for i, f in enumerate(found)}
    known = {f"f{i}": tuple(np.round(transform(truth, found[i].point), 2)) for i in CARRY}
    return clean, replace(features, found=found, noise=STILL), DatumSettings(method="known-points", known=known), names


def _spd(rng):
    a = rng.normal(size=(3, 3)) * 0.05
    return a @ a.T


def with_points(features, at):
    return replace(features, found=tuple(replace(f, point=p) for f, p in zip(features.found, at)))


def by_package(frame, row):
    """The point `row` in car axes, (3,) of the package's numbers."""
    clean, features, settings, names = frame
    base = np.array([f.point for f in features.found])
    inputs = [v for f in features.found for v in uncertainties.correlated_values(np.full(3, UNIT), f.cov)]

    def read(axis):
        def value(*readings):
            at = base + np.reshape(readings, (-1, 3)) - UNIT
            made = datum(clean, with_points(features, at), settings, {"named": names})
            return float(transform(made.car_from_scan, at[row])[axis])

        return value

    return [uncertainties.wrap(read(axis))(*inputs) for axis in range(3)]


@pytest.mark.parametrize("row", [0, 9])
def test_u_of_a_point_is_the_package_s_and_grows_from_the_datum(frame, row):
    """Row 0 carries the datum, row 9 lies 2.1 m ahead of what does."""
    clean, features, settings, names = frame
    made = datum(clean, features, settings, {"named": names})
    own = next(p for p in points(features, made, (), PointsSettings()).points if p.feature == row)
    judge = by_package(frame, row)
    assert own.position == pytest.approx([v.nominal_value for v in judge], abs=1e-6)
    assert np.sqrt(np.diag(own.cov)) == pytest.approx([v.std_dev for v in judge], rel=0.02)


def test_u_grows_with_the_distance_from_the_datum(frame):
    clean, features, settings, names = frame
    made = datum(clean, features, settings, {"named": names})
    own = {p.feature: np.sqrt(p.cov[2, 2]) for p in points(features, made, (), PointsSettings()).points}
    assert own[0] < own[4] < own[9]
