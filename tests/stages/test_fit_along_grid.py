"""A stretch of a fused mesh whose grid lies along the car, so that rows of vertices lie along its faces and its round
things show the same places all along. Truth is the simulator's own; the seed is for regression."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from barerail.records import Features
from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit
from speed.matching import KINDS, across, matched, shown

CASE = SceneCase(
    "ladder", 122, 122, small=True, scanner="fuse", lean=1.0, frames=90, clutter=0, turned=False, window_mm=(-100, 700)
)


@pytest.fixture(scope="module")
def fused() -> tuple[Features, list[dict], list[dict]]:
    """What fit finds, the true features, and those that the scan shows."""
    made, settings = make(CASE), Settings()
    tree = cKDTree(made.scan.points)
    truths = [t for t in made.truth["features"] if t["kind"] in KINDS]
    seen = [t for t in truths if shown(t, tree, CASE.voxel_mm)]
    return fit(clean(made.scan, settings.clean), settings.fit), truths, seen


@pytest.mark.parametrize(
    ("kind", "count", "least", "far"), [("sleeve", 2, 2, 0.2), ("stud", 4, 3, 0.6), ("hole", 10, 10, 1.2)]
)
def test_what_it_shows_is_found_where_it_is(fused, kind: str, count: int, least: int, far: float) -> None:
    """Of the sleeves one was taken for flat strips, of the studs two for edges seen from one side."""
    found, _, seen = fused
    mine = [t for t in seen if t["kind"] == kind]
    off = [across(found.found[i], mine[j])[0] for i, j in matched(found.found, mine)]
    assert len(mine) == count and len(off) >= least
    assert np.max(off) < far


def test_nothing_else_is(fused) -> None:
    found, truths, _ = fused
    hit = {i for i, _ in matched(found.found, truths)}
    assert not [f.kind for i, f in enumerate(found.found) if f.kind in KINDS.values() and i not in hit]
