"""The noise that fit reads off a scan, against what the simulator put in: exp(-h^2 / 2 length^2), known exactly."""

import numpy as np
import pytest

from barerail.records import NoiseModel
from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit.cloud import cloud_of
from barerail.stages.fit.noise import noise_of
from barerail.stages.fit.patches import find_patches
from barerail.stages.fit.surface import surface_of
from barerail.stages.fit.tubes import rounds_of


def read_off(case: SceneCase) -> NoiseModel:
    settings = Settings()
    cleaned = clean(make(case).scan, settings.clean)
    surface = surface_of(cleaned)
    patches, cloud = find_patches(surface, 4.0), cloud_of(cleaned, surface)
    return noise_of(cloud, patches, *rounds_of(cloud, patches, settings.fit), settings.fit)


@pytest.mark.parametrize(("chassis", "seed"), [("tube", 103), ("ladder", 106)])
def test_noise_that_hangs_together_is_read_off_whole(chassis: str, seed: int) -> None:
    """A space frame has no large flat face, and a smooth scan's slow part is several times its white one."""
    case = SceneCase(chassis, seed, seed, small=True, spacing_mm=2.5, sigma_mm=0.045, corr_mm=0.095, corr_length_mm=22)
    noise = read_off(case)
    h = np.array([0.0, 10.0, 20.0, 30.0])
    found = noise.corr_mm**2 * np.exp(-((h / noise.corr_length_mm) ** noise.power))
    np.testing.assert_allclose(found, 0.095**2 * np.exp(-(h**2) / (2 * 22**2)), rtol=0, atol=0.25 * 0.095**2)
    assert noise.sigma_mm == pytest.approx(np.hypot(0.045, 0.095), rel=0.1)
