"""Places that look round and are no holes: by hand, at 2 mm."""

from types import SimpleNamespace

import numpy as np
import pytest

from barerail.stages.fit import bores, holes


@pytest.mark.parametrize(
    ("radius", "depth", "dent"),
    [(20.0, 1.0, True), (20.0, -2.5, True), (8.0, 1.0, True), (20.0, 5.0, False)],
    ids=["dent", "bulge", "narrow dent", "closed far down"],
)
def test_a_place_with_sheet_all_over_it_is_a_dent(radius: float, depth: float, dent: bool) -> None:
    x, y = (a.ravel() for a in np.meshgrid(*2 * [np.arange(-30.0, 30.0, 2.0)]))
    xy = np.column_stack([x, y])
    z = np.where(np.hypot(x, y) < radius, -depth, 0.0)
    assert bores._shallow(xy, z, np.array([0.0, 0.0, radius]), 2.0) == dent


@pytest.mark.parametrize(("u", "mesh", "loose"), [(0.3, True, False), (0.5, True, True), (0.5, False, False)])
def test_a_rim_that_scatters_too_much_in_a_mesh_is_no_holes(u: float, mesh: bool, loose: bool) -> None:
    cloud = SimpleNamespace(mesh=mesh, voxel_mm=2.0 * mesh)
    assert holes._loose(SimpleNamespace(cov=u**2 * np.eye(3)), cloud) == loose
