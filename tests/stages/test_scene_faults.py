"""How a simulated chassis is bent, what the scanner does wrong, and what stands about it."""

from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold
from scene_case import PLAIN, in_car
from scipy.spatial import cKDTree

from barerail.records import Array
from barerail.scene import SceneCase, Simulated, make
from barerail.scene.faults import Field, round_edges, sharp_edges
from barerail.scene.simulate import World
from barerail.scene.truth import case_words, features


def test_density_varies_by_the_factor_asked() -> None:
    def counts(uneven: float, scan_seed: int = 0) -> Array:
        made = make(replace(PLAIN, uneven=uneven, spacing_mm=5.0, scan_seed=scan_seed))
        low, high = made.truth["x_range"]
        return np.histogram(in_car(made, made.scan.points)[:, 0], 24, (low, high))[0].astype(float)

    even, again, uneven = counts(1.0), counts(1.0, 1), counts(3.0, 1)
    chance = np.sqrt(np.mean(1 / even + 1 / again))
    assert np.std(np.log(again / even)) < 1.4 * chance
    assert 3 * chance < np.std(np.log(uneven / even)) < np.log(3) / 2


@pytest.mark.parametrize("mode", ["twist_deg", "diamond_mm", "sway_mm", "sag_mm"])
def test_frame_modes_have_the_sign_and_size_of_the_contract(mode: str) -> None:
    world = World(SceneCase(turned=False, seed=4, **{mode: 2.0}))  # type: ignore[arg-type]
    found = {f["name"]: f for f in features(list(world.chassis.marks), world.true, world.seen)}
    left, right = (np.array(found[f"rail-{s}"]["path_true"]) for s in "LR")
    flat = next(m for m in world.chassis.marks if m.name == "rail-L").points["path"]
    middle = np.abs(flat[:, 0] - np.mean(world.chassis.x_range)).argmin()
    roll = np.degrees(np.arctan2(left[:, 2] - right[:, 2], left[:, 1] - right[:, 1]))
    centre = (left + right) / 2 - flat * [1, 0, 1]
    measured = {
        "twist_deg": roll[-1] - roll[0],
        "diamond_mm": np.mean(left[:, 0] - right[:, 0]),
        "sway_mm": (centre[0, 1] + centre[-1, 1]) / 2 - centre[middle, 1],
        "sag_mm": (centre[0, 2] + centre[-1, 2]) / 2 - centre[middle, 2],
    }
    for name, value in measured.items():
        assert value == pytest.approx(2.0 if name == mode else 0.0, abs=0.03), name
    assert case_words(world.case, world.chassis.twist_z)["warp"][mode.removesuffix("_mm")] == 2.0


def test_drift_has_the_size_asked_and_is_slow() -> None:
    shifts = []
    for k in range(60):
        world = World(replace(PLAIN, drift_mm=0.1, scan_seed=k))
        x = np.array([[0.0, 300, 0], [40.0, 300, 0]])
        shifts.append(world.drift(x) - x)
    shifts = np.array(shifts)
    assert 0.08 < np.sqrt(np.mean(shifts**2)) < 0.12
    assert np.sqrt(np.mean((shifts[:, 0] - shifts[:, 1]) ** 2)) < 0.02


def test_correlated_noise_follows_its_covariance() -> None:
    rng = np.random.default_rng(1)
    h = np.array([0.0, 10.0, 25.0, 50.0, 100.0])
    values = np.array([Field.correlated(25.0, rng)(np.column_stack([h, 0 * h, 0 * h])) for _ in range(3000)])
    covariance = values.T @ values[:, 0] / len(values)
    np.testing.assert_allclose(covariance, np.exp(-(h**2) / (2 * 25.0**2)), rtol=0, atol=0.08)


def test_square_edges_become_fillets() -> None:
    block = Manifold.cube((40, 40, 40)).to_mesh64()
    ends, convex = sharp_edges(np.asarray(block.vert_properties), np.asarray(block.tri_verts).astype(np.int64))
    assert len(ends) == 12 and convex.all()
    d = np.linspace(0.01, 2.5, 60)
    top = np.column_stack([np.full(60, 20.0), d, np.full(60, 40.0)])
    moved = round_edges(top, np.tile([0.0, 0, 1], (60, 1)), ends, 1.0, convex=True)
    near = d < 1
    centre = np.hypot(moved[near, 1] - 1.0, moved[near, 2] - 39.0)
    np.testing.assert_allclose(centre, 1.0, rtol=0, atol=1e-9)
    np.testing.assert_array_equal(moved[~near], top[~near])


def mirror_misfit(simulated: Simulated, normal: Array, offset: float) -> float:
    """Mean square distance of the mirrored scan from the scan's tangent planes, 2 mm at most each."""
    points, normals = simulated.scan.points, simulated.scan.normals
    assert normals is not None
    mirrored = points - 2 * (points @ normal - offset)[:, None] * normal
    near, row = cKDTree(points).query(mirrored)
    gap = np.einsum("ij,ij->i", mirrored - points[row], normals[row])
    return float(np.mean(np.clip(gap[near < 8], -2, 2) ** 2))


def test_mirror_seen_is_the_car_s_plane_without_drift_and_better_than_it_with() -> None:
    still = make(replace(PLAIN, drift_mm=0.0, spacing_mm=6.0))
    pose = np.array(still.truth["scan_from_car"])
    plane = still.truth["mirror_seen"]
    np.testing.assert_allclose(plane["normal"], pose[:3, 1], rtol=0, atol=1e-9)
    assert plane["offset"] == pytest.approx(pose[:3, 1] @ pose[:3, 3], abs=1e-6)
    moved = make(replace(PLAIN, drift_mm=0.8, sigma_mm=0.02, corr_mm=0.0, spacing_mm=4.0))
    pose, seen = np.array(moved.truth["scan_from_car"]), moved.truth["mirror_seen"]
    normal = np.array(seen["normal"])
    best = mirror_misfit(moved, normal, seen["offset"])
    assert best < 0.9 * mirror_misfit(moved, pose[:3, 1], pose[:3, 1] @ pose[:3, 3])
    for shift in (-0.3, 0.3):
        assert best < mirror_misfit(moved, normal, seen["offset"] + shift)
        assert best < mirror_misfit(moved, *turned(normal, seen["offset"], moved.scan.points.mean(0), shift / 300))


def turned(normal: Array, offset: float, about: Array, angle: float) -> tuple[Array, float]:
    """The plane turned by `angle` about a line in it near a point."""
    tilt = np.cross(normal, [1.0, 0, 0])
    new = normal + angle * tilt / np.linalg.norm(tilt)
    new /= np.linalg.norm(new)
    foot = about - (about @ normal - offset) * normal
    return new, float(new @ foot)


def test_a_bump_on_one_side_leaves_the_other_and_the_mirror_plane_alone() -> None:
    world = World(replace(PLAIN, asymmetry_mm=5.0, drift_mm=0.0, turned=False))
    flat = {m.name: m.p for m in world.chassis.marks}
    shift = {n: np.linalg.norm(world.true(p[None])[0] - p) for n, p in flat.items()}
    sides = [max(v for n, v in shift.items() if n[-1] == s) for s in "LR"]
    assert max(sides) > 1.0 and min(sides) < 0.01
    plane = make(replace(world.case, spacing_mm=6.0)).truth["mirror_seen"]
    assert np.linalg.norm(plane["normal"] - np.array([0, 1, 0])) < 1e-9 and abs(plane["offset"]) < 1e-6


def test_patches_clutter_and_floor_do_what_they_say() -> None:
    base = replace(PLAIN, spacing_mm=6.0, turned=False)
    whole = make(base).scan.points
    assert len(make(replace(base, patches=40)).scan.points) < len(whole)
    box = np.array(World(base).chassis.body.bounding_box()).reshape(2, 3)
    with_floor = make(replace(base, floor=True)).scan.points
    low = with_floor[with_floor[:, 2] < box[0, 2] - 470]
    assert len(low) > 1000 and np.ptp(low[:, 0]) > np.ptp(box[:, 0])
    cluttered = make(replace(base, clutter=6)).scan.points
    extra = cluttered[np.asarray(cKDTree(whole).query(cluttered)[0]) > 40]
    assert len(extra) > 50 and max(np.mean(extra[:, 1] > 0), np.mean(extra[:, 1] < 0)) > 0.8


def test_one_sided_brackets_carry_no_side_in_their_names() -> None:
    world = World(replace(PLAIN, one_sided=2))
    odd = [m.name for m in world.chassis.marks if m.name.startswith("extra")]
    assert len(odd) == len(world.chassis.odd) == 2
    assert not any(n[-1] in "LR" for n in odd)
