"""NIST reference fits of planes and cylinders, from our own start values.

Source: NIST Algorithm Testing and Evaluation Program, reference pairs for self-testing (fits computed by NIST with
extended precision; Shakarji 1998, J. Res. NIST 103(6):633-641, doi 10.6028/jres.103.043). Lengths in mm, a .fit file
holds a point, a direction, and for a cylinder its diameter.
"""

from pathlib import Path

import numpy as np
import pytest

from barerail.geometry.cylinder import fit_cylinder
from barerail.geometry.plane import fit_plane
from geometry.fit_shapes import off_line, turned

DATA = Path(__file__).parents[3] / "shared" / "data" / "nist"
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="no NIST data sets beside the checkout: ../shared/data/nist")


def pair(folder, name):
    points = np.loadtxt(DATA / folder / f"{name}.ds", skiprows=1)
    want = np.loadtxt(DATA / folder / f"{name}.fit")
    return points, want[:3], want[3:6] / np.linalg.norm(want[3:6]), want[6:]


@pytest.mark.parametrize("i", range(1, 31))
def test_plane(i):
    points, on, normal, _ = pair("Plane", f"pla{i}")
    fit = fit_plane(points)
    size = np.linalg.norm(np.ptp(points, axis=0))
    assert abs((fit.centre - on) @ normal) < 1e-7
    assert turned(fit.normal, normal) * size < 1e-7


@pytest.mark.parametrize("i", range(1, 31))
def test_cylinder(i):
    points, on, axis, (diameter,) = pair("Cylinder", f"cyl{i}")
    fit = fit_cylinder(points)
    size = np.linalg.norm(np.ptp(points, axis=0))
    assert fit.converged
    assert 2 * fit.radius == pytest.approx(diameter, rel=0, abs=1e-7)
    assert turned(fit.axis, axis) * size < 1e-7
    assert off_line(on, axis, fit.point) < 1e-7
