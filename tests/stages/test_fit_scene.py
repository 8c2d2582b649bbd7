"""Fit on one stretch of a simulated perimeter frame, with all the scanner's faults, against the scene's truth.

What counts as shown by the scan: every feature wholly inside the stretch that is wide enough for the spacing.
"""

import numpy as np
import pytest

from barerail.records import Array, Feature, Features, Rail
from barerail.scene import SceneCase, Simulated, make
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

CASE = SceneCase("perimeter", seed=100, small=True, spacing_mm=2.4, clutter=0, patches=4, window_mm=(-400.0, 450.0))
KINDS = {"hole": "hole", "slot": "slot", "stud": "stud", "clevis": "bolt-axis", "sleeve": "sleeve", "tube": "tube"}


@pytest.fixture(scope="module")
def scene() -> Simulated:
    return make(CASE)


@pytest.fixture(scope="module")
def found(scene: Simulated) -> Features:
    return fit(clean(scene.scan, CleanSettings()), FitSettings())


def shown(scene: Simulated) -> list[dict]:
    """Truth features well inside the stretch; tubes run on past their middle, and count by it."""
    pose = np.array(scene.truth["scan_from_car"])
    low, high = (x + s for x, s in zip(CASE.window_mm or (), (60.0, -60.0), strict=True))
    out = []
    for f in scene.truth["features"]:
        x = float(((np.array(f["p"]) - pose[:3, 3]) @ pose[:3, :3])[0])
        if f["kind"] in KINDS and low < x < high:
            out.append(f)
    return out


def across(axis: Array, offset: Array) -> float:
    return float(np.linalg.norm(offset - (offset @ axis) * axis))


def matches(truth: dict, found: Features) -> list[Feature]:
    """Features of the truth's kind on its axis: within 1 mm across, and beside it or behind the same sheet."""
    axis, at = np.array(truth["axis"]), np.array(truth["p"])
    reach = truth.get("thickness", 0.0) + 1.5 if truth["kind"] != "tube" else 200.0
    return [
        f
        for f in found.found
        if f.kind == KINDS[truth["kind"]]
        and across(axis, f.point - at) < 1.0
        and abs((f.point - at) @ axis) < reach
        and abs(f.axis @ axis) > 0.99
    ]


def test_the_stretch_shows_every_kind(scene: Simulated) -> None:
    kinds = {f["kind"] for f in shown(scene)}
    assert kinds >= {"hole", "slot", "stud", "clevis", "sleeve", "tube"} and len(shown(scene)) >= 20


def test_nine_in_ten_are_found_and_each_once(scene: Simulated, found: Features) -> None:
    count = {f["name"]: len(matches(f, found)) for f in shown(scene) if f["d"] > 5 * found.spacing_mm}
    missed = [n for n, k in count.items() if k == 0]
    assert max(count.values()) == 1, [n for n, k in count.items() if k > 1]
    assert len(missed) <= 0.1 * len(count), missed


def test_at_most_one_is_made_up(scene: Simulated, found: Features) -> None:
    real = [np.array([f["p"], f["axis"]]) for f in scene.truth["features"] if f["kind"] in KINDS]
    made_up = [
        (f.kind, f.point.round(1).tolist())
        for f in found.found
        if not any(across(axis, f.point - at) < 3.0 for at, axis in real)
    ]
    assert len(made_up) <= 1, made_up


def test_places_are_within_their_u_and_u_is_not_far_too_large(scene: Simulated, found: Features) -> None:
    score = []
    for truth in shown(scene):
        axis = np.array(truth["axis"])
        side = np.linalg.svd(axis[None])[2][1:]
        if truth["kind"] in ("hole", "clevis", "sleeve"):
            for f in matches(truth, found):
                spread = np.sqrt(np.diag(side @ f.cov @ side.T))
                score += list(side @ (f.point - np.array(truth["p"])) / spread)
    assert len(score) > 25
    assert 0.3 < np.sqrt(np.mean(np.square(score))) < 1.3
    assert np.mean(np.abs(score) < 2) > 0.9


def test_tubes_have_their_axis_and_diameter(scene: Simulated, found: Features) -> None:
    tubes = [f for f in shown(scene) if f["kind"] == "tube"]
    for truth in tubes:
        (f,) = matches(truth, found)
        assert f.diameter == pytest.approx(truth["d"], abs=0.15)
        for end in (np.array(truth["p0"]), np.array(truth["p1"])):
            assert across(f.axis, end - f.point) < 0.2


def test_slots_have_their_overall_length(scene: Simulated, found: Features) -> None:
    slots = [(f, m) for f in shown(scene) if f["kind"] == "slot" for m in matches(f, found)]
    for truth, f in slots:
        assert f.length == pytest.approx(truth["length"], abs=0.5)
        assert abs(f.along @ np.array(truth["along"])) > 0.999


def off_path(point: Array, path: Array) -> Array:
    """Offset (3,) from the nearest place of a chain of straight pieces."""
    step = np.diff(path, axis=0)
    share = np.clip(np.einsum("ij,ij->i", point - path[:-1], step) / np.einsum("ij,ij->i", step, step), 0, 1)
    offset = point - path[:-1] - share[:, None] * step
    return np.asarray(offset[np.argmin(np.linalg.norm(offset, axis=1))])


def paths(scene: Simulated) -> dict[str, Array]:
    return {f["name"]: np.array(f["path"]) for f in scene.truth["features"] if f["kind"] == "rail"}


def nearest_path(rail: Rail, known: dict[str, Array]) -> str:
    middle = np.median([s.centre for s in rail.stations], axis=0)
    return min(known, key=lambda name: float(np.linalg.norm(off_path(middle, known[name]))))


def test_both_rails_are_found_once_with_stations_all_along(scene: Simulated, found: Features) -> None:
    known = paths(scene)
    assert sorted(nearest_path(r, known) for r in found.rails) == sorted(known)
    pose = np.array(scene.truth["scan_from_car"])
    for r in found.rails:
        assert r.section == "box"
        x = np.sort([float(((s.centre - pose[:3, 3]) @ pose[:3, :3])[0]) for s in r.stations])
        assert len(x) >= 6 and np.ptp(x) > 550 and np.diff(x).max() < 260


def test_stations_are_on_the_centre_line_within_their_u(scene: Simulated, found: Features) -> None:
    known, score, straight = paths(scene), [], []
    for r in found.rails:
        path = known[nearest_path(r, known)]
        for s in r.stations:
            offset = s.axes[1:] @ off_path(s.centre, path)
            spread = np.sqrt(np.diag(s.cov)[:2])
            score += list(offset / spread)
            both = [s.seen[0] and s.seen[1], s.seen[2] and s.seen[3]]
            straight += [abs(o) for o, b in zip(offset, both, strict=True) if b]
    assert np.mean(np.abs(score) < 2) > 0.88
    assert len(straight) > 16 and np.median(straight) < 0.1


def test_station_sizes_are_the_section(scene: Simulated, found: Features) -> None:
    truth = next(f for f in scene.truth["features"] if f["kind"] == "rail")
    sizes = np.array([sorted(s.size) for r in found.rails for s in r.stations if not np.isnan(s.size).any()])
    assert len(sizes) >= 8
    np.testing.assert_allclose(np.median(sizes, axis=0), sorted([truth["w"], truth["h"]]), rtol=0, atol=0.15)


def test_a_station_that_lacks_a_face_is_held_by_the_rail_s_other_stations(found: Features) -> None:
    """One section runs all along: its width from where it was seen holds the centre where one face was lost."""
    spread = np.array([np.sqrt(np.diag(s.cov)[:2]) for r in found.rails for s in r.stations])
    assert len(spread) > 8 and spread.max() < 1.0
