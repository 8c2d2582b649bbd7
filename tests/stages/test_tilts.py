"""Which way holes look on a frame that is twisted. The truth is the simulator's own: the normal of the face as bent, at
the hole. Seed 124 is for regression, nothing was developed on it."""

import numpy as np
import pytest

from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit


@pytest.mark.parametrize("twist", [0.0, 1.5])
def test_a_hole_looks_where_its_face_does_there_however_the_frame_is_twisted(twist):
    """The normal of the whole face is 0.63 degrees off at the worst hole of the twisted frame."""
    made = make(SceneCase("channel", 124, 124, small=True, twist_deg=twist, clutter=0))
    settings = Settings()
    found = fit(clean(made.scan, settings.clean), settings.fit)
    z: list[float] = []
    for t in (t for t in made.truth["features"] if t["kind"] == "hole"):
        axis = np.asarray(t["axis_seen"])
        for f in (f for f in found.found if f.kind == "hole" and np.linalg.norm(f.point - t["p"]) < 5):
            off = f.axis * np.sign(f.axis @ axis) - axis
            z += [float(off @ w / np.sqrt(w @ f.cov_axis @ w)) for w in np.linalg.svd(axis[None])[2][1:]]
            assert np.degrees(np.linalg.norm(off)) < 0.15
    assert len(z) > 40 and np.mean(np.abs(z) < 2) > 0.9 and 0.5 < np.sqrt(np.mean(np.square(z))) < 1.2
