"""What tests of simulated scans share: one plain case, and its truth by name and in car axes."""

import numpy as np

from barerail.records import Array
from barerail.scene import SceneCase, Simulated

PLAIN = SceneCase(small=True, spacing_mm=3.5, clutter=0, one_sided=0, patches=0, seed=5)


def in_car(simulated: Simulated, points: Array) -> Array:
    pose = np.array(simulated.truth["scan_from_car"])
    return (np.asarray(points) - pose[:3, 3]) @ pose[:3, :3]


def named(simulated: Simulated) -> dict[str, dict]:
    out = {f["name"]: f for f in simulated.truth["features"]}
    assert len(out) == len(simulated.truth["features"]), "a name is used twice"
    return out


def local(feature: dict, points: Array) -> Array:
    """Distance from the feature's axis and height along it, (n, 2)."""
    offset, axis = points - feature["p"], np.array(feature["axis"])
    height = offset @ axis
    return np.column_stack([np.linalg.norm(offset - height[:, None] * axis, axis=1), height])
