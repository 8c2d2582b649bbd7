"""A welded frame that is not ours, scanned by our simulator in a drawn pose: its bores, mirror plane and pairs.

Source: examples/frame.step of the netgen-doc package 6.2.2006 (Debian, LGPL-2+), meshed to 0.1 mm, with the cylinders,
pairs and symmetry plane of its exact geometry beside it.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from barerail.geometry.frames import direction, invert, transform
from barerail.records import CleanScan, Features
from barerail.scene import truth
from barerail.scene.case import SceneCase
from barerail.scene.scanner import Surface, noisy, sample
from barerail.scene.simulate import as_read
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.datum import datum
from barerail.stages.fit import fit
from barerail.stages.points import points

FRAME = Path(__file__).parents[2].parent / "shared" / "data" / "frame"
SPACING_MM, SEED = 1.5, 101
NEAR_MM, BIGGER_MM = 1.0, 1.5


@pytest.fixture(scope="module")
def known() -> dict:
    if not (FRAME / "frame.truth.json").exists():
        pytest.skip("../shared/data/frame is not there")
    return json.loads((FRAME / "frame.truth.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def scanned(known: dict) -> tuple[np.ndarray, CleanScan, Features]:
    """Scan from design, and what clean and fit make of a scan without drift, edges as sharp as the mesh has them."""
    import trimesh

    mesh = trimesh.load(FRAME / "frame.stl")
    case = SceneCase("ladder", seed=SEED, spacing_mm=SPACING_MM, patches=0, uneven=1.0, drift_mm=0.0, edge_mm=0.0,
                     weld_mm=0.0)  # fmt: skip
    rng = np.random.default_rng(SEED)
    cloud = sample(case, [Surface(np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int64))], rng)
    pose = truth.pose(rng, True)
    at = noisy(case, cloud, lambda p: truth.shift(pose, p), pose[:3, :3], rng)
    cleaned = clean(as_read(case, at, cloud.normals @ pose[:3, :3].T, None), Settings().clean)
    return pose, cleaned, fit(cleaned, Settings().fit)


def bores(known: dict) -> dict[int, dict]:
    """Full-round bores of 6 to 130 mm, under 30 mm long, that a scanner sees from outside."""
    return {
        c["id"]: c
        for c in known["cylinders"]
        if c["side"] == "bore"
        and c["full_round"]
        and 6 <= 2 * c["radius"] <= 130
        and c["length"] < 30
        and c["visible_fraction"] > 0.3
    }


def is_it(bore: dict, at: np.ndarray, axis: np.ndarray, diameter: float) -> bool:
    way = np.array(bore["axis"])
    off = at - np.array(bore["centre"])
    along = float(off @ way)
    across = np.linalg.norm(off - along * way)
    near = across < NEAR_MM and abs(along) < bore["length"] / 2 + 40
    return bool(near and abs(axis @ way) > 0.95 and abs(diameter - 2 * bore["radius"]) < BIGGER_MM)


def test_every_bore_is_found(known: dict, scanned: tuple) -> None:
    pose, _, features = scanned
    back = invert(pose)
    found = [(transform(back, f.point), direction(back, f.axis), f.diameter) for f in features.found]
    lost = [i for i, b in bores(known).items() if not any(is_it(b, *f) for f in found)]
    assert len(bores(known)) == 38 and lost == []


def test_mirror_plane_and_every_pair(known: dict, scanned: tuple) -> None:
    """x = 304.8 mm is the frame's own mirror plane: within 0.02 degrees and 0.1 mm; front and up are given."""
    pose, cleaned, features = scanned
    front, above = (tuple(transform(pose, at)) for at in ([304.8, 150, 4000], [304.8, 4000, 400]))
    settings = Settings().datum.model_copy(update={"front": front, "above": above})
    car = datum(cleaned, features, settings)
    m = car.car_from_scan @ pose
    assert np.degrees(np.arccos(min(1.0, abs(m[1, 0])))) < 0.02
    assert abs((m @ [304.8, 150.0, 400.0, 1.0])[1]) < 0.1
    labelled = points(features, car, (), Settings().points).points
    back = invert(m)
    at = {p.name: (transform(back, p.position), direction(back, p.axis), p.diameter, p.partner) for p in labelled}
    wanted = [(a, b) for a, b in known["symmetry"]["pairs"] if a in bores(known) and b in bores(known)]
    assert len(wanted) == 15
    for a, b in wanted:
        ones, others = (
            {n for n, (x, axis, d, _) in at.items() if np.any(axis) and is_it(bore, x, axis, d)}
            for bore in (bores(known)[a], bores(known)[b])
        )
        assert any(at[n][3] in others for n in ones), (a, b)
