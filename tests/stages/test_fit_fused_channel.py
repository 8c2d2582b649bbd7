"""A stretch of channel frame as a fused mesh. Truth is the simulator's own; the seed is for regression."""

import numpy as np

from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

CASE = SceneCase("channel", 122, 122, small=True, scanner="fuse", lean=1.0, frames=90, clutter=0, window_mm=(-500, 500))


def test_flanges_that_fusing_pushes_out_are_as_far_apart_as_u_says() -> None:
    """A channel's walls are seen from both sides: they came out 0.3 to 0.6 mm further apart than they are, U 0.1."""
    made, settings = make(CASE), Settings()
    rails = fit(clean(made.scan, settings.clean), settings.fit).rails
    height = next(t["h"] for t in made.truth["features"] if t["kind"] == "rail")
    z = [
        (s.size[k] - height) / np.sqrt(s.cov[3 + k, 3 + k])
        for s in (s for r in rails if r.section == "channel" for s in r.stations)
        for k in (0, 1)
        if all(s.seen[2 * k : 2 * k + 2]) and abs(s.size[k] - height) < 5
    ]
    assert len(z) >= 8
    assert np.abs(z).max() < 3 and np.sqrt(np.mean(np.square(z))) > 0.3
