"""A stretch of channel frame as a fused mesh. Truth is the simulator's own; the seed is for regression."""

import numpy as np

from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

CASE = SceneCase("channel", 122, 122, small=True, scanner="fuse", lean=1.0, frames=90, clutter=0, window_mm=(-500, 500))


def test_flanges_that_fusing_pushes_out_are_as_far_apart_as_u_says_and_their_middle_stays() -> None:
    """A channel's walls are seen from both sides: they came out 0.3 to 1 mm further apart than they are, U 0.1."""
    made, settings = make(CASE), Settings()
    rails = fit(clean(made.scan, settings.clean), settings.fit).rails
    truths = [t for t in made.truth["features"] if t["kind"] == "rail"]
    size, middle = [], []
    for s in (s for r in rails if r.section == "channel" for s in r.stations):
        for k in (0, 1):
            if all(s.seen[2 * k : 2 * k + 2]) and abs(s.size[k] - truths[0]["h"]) < 5:
                size.append((s.size[k] - truths[0]["h"]) / np.sqrt(s.cov[3 + k, 3 + k]))
                off = s.axes[1 + k] @ nearest(truths, s.centre)
                middle.append(off / np.sqrt(s.cov[k, k]))
    assert len(size) >= 8
    for z in (size, middle):
        assert np.mean(np.abs(z) < 2) > 0.85 and 0.5 < np.sqrt(np.mean(np.square(z))) < 1.5


def nearest(rails: list[dict], place: np.ndarray) -> np.ndarray:
    """From the nearest rail's true line of middles to a place, square to it, mm."""
    best = []
    for a, b in ((np.array(p), np.array(q)) for t in rails for p, q in zip(t["path"][:-1], t["path"][1:])):
        share = np.clip((place - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
        best.append(place - a - share * (b - a))
    return min(best, key=np.linalg.norm)
