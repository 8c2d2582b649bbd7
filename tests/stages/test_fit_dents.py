"""Places in a fused mesh that look round and are no holes: by hand, at 2 mm voxels."""

from types import SimpleNamespace

import numpy as np
import pytest

from barerail.settings import FitSettings
from barerail.stages.fit import bores, holes


@pytest.mark.parametrize(
    ("radius", "depth", "dent"),
    [(20.0, 1.0, True), (20.0, -1.5, True), (20.0, 2.8, False), (8.0, 1.0, False)],
    ids=["dent", "bulge", "panel behind", "narrow enough to be closed by fusing"],
)
def test_a_wide_place_with_sheet_all_over_it_is_a_dent(radius: float, depth: float, dent: bool) -> None:
    x, y = (a.ravel() for a in np.meshgrid(*2 * [np.arange(-30.0, 30.0, 2.0)]))
    xy = np.column_stack([x, y])
    z = np.where(np.hypot(x, y) < radius, -depth, 0.0)
    assert bores._dented(xy, z, np.array([0.0, 0.0, radius]), 2.0) == dent


@pytest.mark.parametrize(("u", "mesh", "hole"), [(0.3, True, True), (0.5, True, False), (0.5, False, True)])
def test_a_rim_that_scatters_too_much_in_a_mesh_is_no_holes(monkeypatch, u: float, mesh: bool, hole: bool) -> None:
    bore = SimpleNamespace(standing=0.0, rim=SimpleNamespace(cov=u**2 * np.eye(3)))
    for name, told in {"_slot": (None, ""), "_why_not": "", "looked_into": bore, "_hole": "hole"}.items():
        monkeypatch.setattr(holes, name, lambda *_, told=told: told)
    cloud = SimpleNamespace(mesh=mesh, voxel_mm=2.0 * mesh)
    found, why = holes._told(bore, cloud, None, FitSettings())
    assert (found == "hole") == hole and bool(why) != hole
