"""What of a mesh that seems flat by smoothed normals is a strip of a sleeve by its own. By hand, at 2.8 mm voxels."""

from types import SimpleNamespace

import numpy as np
import pytest

from barerail.stages.fit.patches import _is_strip


def piece(length: float, width: float, radius: float) -> tuple[SimpleNamespace, np.ndarray]:
    """A piece of a cylinder about x, one point in 4 mm each way, its normals 0.1 rad off."""
    rng = np.random.default_rng(185)
    n = int(length * width / 16)
    x, turn = rng.uniform(0, length, n), rng.uniform(-width / 2, width / 2, n) / radius
    out = np.column_stack([np.zeros(n), np.sin(turn), np.cos(turn)])
    normals = out + rng.normal(0, 0.1, out.shape)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    points = radius * out + np.column_stack([x, np.zeros(n), np.zeros(n)])
    return SimpleNamespace(points=points, normals=normals, doubt=2.0), np.arange(n)


@pytest.mark.parametrize(("length", "width", "radius"), [(70.0, 14.0, 19.0), (90.0, 20.0, 30.0)])
def test_a_strip_of_a_sleeve_is_one(length: float, width: float, radius: float) -> None:
    assert _is_strip(*piece(length, width, radius))


@pytest.mark.parametrize(("length", "width", "radius"), [(48.0, 40.0, 150.0), (50.0, 32.0, 125.0), (60.0, 50.0, 1e4)])
def test_a_tab_that_fusing_has_bulged_is_none(length: float, width: float, radius: float) -> None:
    assert not _is_strip(*piece(length, width, radius))
