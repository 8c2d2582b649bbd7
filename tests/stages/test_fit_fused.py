"""Fit on a fused mesh whose cameras lean outboard, as a hand does under a car. The truth is the simulator's own; the
seed is for regression, nothing was developed on it."""

import numpy as np
import pytest

from barerail.records import Feature, Features
from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

CASE = SceneCase(
    "perimeter", 120, 120, small=True, scanner="fuse", voxel_mm=2.4, sigma_mm=0.25, lean=1.0, frames=140, clutter=2
)


@pytest.fixture(scope="module")
def fused() -> tuple[Features, list[dict]]:
    made = make(CASE)
    settings = Settings()
    return fit(clean(made.scan, settings.clean), settings.fit), made.truth["features"]


def errors(found: Features, truths: list[dict], kind: str, named: str) -> list[tuple[np.ndarray, Feature] | None]:
    """For each true feature of a kind: the error across its axis and what was found there; None where nothing was."""
    out: list[tuple[np.ndarray, Feature] | None] = []
    for t in (t for t in truths if t["kind"] == kind):
        axis, best = np.asarray(t["axis"]), None
        for f in (f for f in found.found if f.kind == named and abs(f.axis @ axis) > 0.95):
            off = f.point - np.asarray(t["p"])
            across = off - (off @ axis) * axis
            if np.linalg.norm(off) < 12 and (best is None or np.linalg.norm(across) < np.linalg.norm(best[0])):
                best = (across, f)
        out.append(best)
    return out


@pytest.mark.parametrize(
    ("kind", "named", "share"), [("hole", "hole", 0.8), ("clevis", "bolt-axis", 0.6), ("tube", "tube", 1.0)]
)
def test_what_a_fused_mesh_shows_is_found(fused, kind, named, share):
    hits = errors(*fused, kind, named)
    assert sum(h is not None for h in hits) >= share * len(hits)


def test_half_the_holes_lie_within_a_quarter_of_a_voxel_and_u_fits_the_errors(fused):
    hits = [h for h in errors(*fused, "hole", "hole") if h is not None]
    assert np.median([np.linalg.norm(across) for across, _ in hits]) < 0.6
    z = [across @ np.linalg.pinv(f.cov) @ across for across, f in hits]
    assert np.mean(np.array(z) < 8.0) > 0.85  # chi-square of two, 98 %
    assert np.mean(z) > 0.5  # 2 where U is right: it may not hide errors by being large


def test_how_high_a_hole_lies_is_within_u_in_plates_that_fusing_pushes_out_too(fused):
    """Plates of up to two voxels stand up to one proud, so that U along the axis is half a voxel there, not 0.1 mm."""
    found, truths = fused
    z = []
    for t, hit in zip([t for t in truths if t["kind"] == "hole"], errors(found, truths, "hole", "hole")):
        along = np.nan if hit is None else (hit[1].point - np.asarray(t["p"])) @ t["axis"]
        if abs(along) < 2.8:  # further off it is the plate's other face
            z.append(along / np.sqrt(t["axis"] @ hit[1].cov @ t["axis"]))
    assert len(z) > 25 and np.max(np.abs(z)) < 3 and np.sqrt(np.mean(np.square(z))) > 0.4


def test_studs_slots_and_sleeves_are_found_in_meshes_too_and_slots_have_their_length(fused):
    kinds = {f.kind for f in fused[0].found}
    assert {"stud", "slot", "sleeve"} <= kinds
    truths = [t for t in fused[1] if t["kind"] == "slot"]
    hits = [(t, h) for t, h in zip(truths, errors(*fused, "slot", "slot")) if h is not None]
    assert hits
    for truth, (across, f) in hits:
        assert np.linalg.norm(across) < 1.2
        assert abs(f.length - truth["length"]) < 3 * f.u_length
