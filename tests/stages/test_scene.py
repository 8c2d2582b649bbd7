"""The scene maker: its truth must fit its scans, or everything judged by it is worth nothing."""

import importlib.util
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold
from scipy.spatial import cKDTree

from barerail.errors import UsageError
from barerail.libraries import open3d
from barerail.records import Array
from barerail.scene import SceneCase, Simulated, demo_case, make, write
from barerail.scene.chassis import design
from barerail.scene.faults import Field, round_edges, sharp_edges
from barerail.scene.fittings import hole
from barerail.scene.layout import Item, Jig
from barerail.scene.ply import encode
from barerail.scene.rail import Seat
from barerail.scene.scanner import joined
from barerail.scene.simulate import World
from barerail.scene.truth import case_words, features
from barerail.store.readers import read

SORTS = ("perimeter", "ladder", "channel", "tube")
SCORE = Path(__file__).resolve().parents[3] / "shared" / "tools" / "score.py"
PLAIN = SceneCase(small=True, spacing_mm=3.5, clutter=0, one_sided=0, patches=0, seed=5)


@pytest.fixture(scope="module", params=SORTS)
def plain(request: pytest.FixtureRequest) -> Simulated:
    return make(replace(PLAIN, chassis=request.param))


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


def test_same_case_same_bytes_and_another_scan_seed_scans_the_same_chassis() -> None:
    case = replace(PLAIN, spacing_mm=6.0, clutter=3, floor=True, twist_deg=0.2)
    one, two, other = make(case), make(case), make(replace(case, scan_seed=1))
    assert encode(one.scan) == encode(two.scan)
    assert json.dumps(one.truth) == json.dumps(two.truth)
    assert encode(one.scan) != encode(other.scan)
    for name, feature in named(one).items():
        here, there = in_car(one, feature["p_true"]), in_car(other, named(other)[name]["p_true"])
        np.testing.assert_allclose(here, there, rtol=0, atol=1e-9)


def test_pose_is_a_proper_rotation(plain: Simulated) -> None:
    turn = np.array(plain.truth["scan_from_car"])[:3, :3]
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), rtol=0, atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0, abs=1e-12)


def test_every_left_feature_has_its_mirror_image_on_the_right(plain: Simulated) -> None:
    known = named(plain)
    left = [n for n in known if n[-1] == "L"]
    assert sorted(n[:-1] + "R" for n in left) == sorted(n for n in known if n[-1] == "R")
    turn = np.array(plain.truth["scan_from_car"])[:3, :3]
    for name in left:
        one, two = known[name], known[name[:-1] + "R"]
        offset = in_car(plain, one["p_true"]) - in_car(plain, two["p_true"]) * [1, -1, 1]
        # a hole seen on both faces of an upright sheet is given on its left face on either side of the car
        assert np.linalg.norm(offset) < 1e-9 or abs(offset[1]) == pytest.approx(one["thickness"])
        assert abs((np.array(one["axis"]) @ turn * [1, -1, 1]) @ turn.T @ two["axis"]) == pytest.approx(1.0)
        assert in_car(plain, one["p_true"])[1] > 0
        assert (one["kind"], one["d"]) == (two["kind"], two["d"])


@pytest.mark.parametrize(("sort", "kinds"), [(s, {"hole", "clevis", "sleeve", "tube", "stud", "rail"}) for s in SORTS])
def test_every_chassis_has_every_kind_with_the_keys_the_score_reads(sort: str, kinds: set[str]) -> None:
    keys = {"clevis": {"gap", "tab"}, "sleeve": {"od", "length"}, "tube": {"p0", "p1"}, "stud": {"length"}}
    keys |= {"slot": {"along", "length"}, "rail": {"path", "w", "h", "section"}, "hole": set()}
    world = World(SceneCase(chassis=sort))  # type: ignore[arg-type]
    found = features(list(world.chassis.marks), world.true, world.seen)
    assert kinds <= {f["kind"] for f in found}
    assert sum(f["kind"] == "hole" for f in found) >= 20
    for f in found:
        assert keys[f["kind"]] | {"kind", "name", "p", "p_true", "axis", "d"} <= f.keys()
        assert np.linalg.norm(f["axis"]) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("seed", range(1, 4))
def test_chassis_are_single_welded_solids_of_a_car_s_size(seed: int) -> None:
    for sort in SORTS:
        chassis = World(SceneCase(chassis=sort, seed=seed)).chassis  # type: ignore[arg-type]
        size = np.diff(np.array(chassis.body.bounding_box()).reshape(2, 3), axis=0)[0]
        assert len(chassis.body.decompose()) == 1
        assert 2500 < size[0] < 4500 and 600 < size[1] < 1700


def test_spacing_is_as_asked(plain: Simulated) -> None:
    points, normals = plain.scan.points, plain.scan.normals
    assert normals is not None
    some = np.random.default_rng(0).choice(len(points), 2000, replace=False)
    near, row = cKDTree(points).query(points[some], 61)
    facing = np.einsum("ijk,ik->ij", normals[row], normals[some]) > 0.9
    # 12 neighbours of a flat Poisson sample, on one side of a sheet, lie in a disc of area 12 spacing^2
    full = facing.sum(1) > 12
    twelfth = np.argmax(np.cumsum(facing, 1) == 13, axis=1)
    reach = near[np.arange(len(some)), twelfth][full]
    assert full.mean() > 0.9
    assert np.median(np.sqrt(np.pi * reach**2 / 12)) == pytest.approx(3.5, rel=0.15)


def test_density_varies_by_the_factor_asked() -> None:
    def counts(uneven: float, scan_seed: int = 0) -> Array:
        made = make(replace(PLAIN, uneven=uneven, spacing_mm=5.0, scan_seed=scan_seed))
        low, high = made.truth["x_range"]
        return np.histogram(in_car(made, made.scan.points)[:, 0], 24, (low, high))[0].astype(float)

    even, again, uneven = counts(1.0), counts(1.0, 1), counts(3.0, 1)
    chance = np.sqrt(np.mean(1 / even + 1 / again))
    assert np.std(np.log(again / even)) < 1.4 * chance
    assert 3 * chance < np.std(np.log(uneven / even)) < np.log(3) / 2


def test_rims_lie_outside_their_circles_and_faces_on_their_planes(plain: Simulated) -> None:
    sigma = np.hypot(PLAIN.sigma_mm, PLAIN.corr_mm)
    points = plain.scan.points
    tree = cKDTree(points)
    heights, holes = [], [f for f in plain.truth["features"] if f["kind"] == "hole"]
    for f in holes:
        rho, h = local(f, points[tree.query_ball_point(f["p"], f["d"] / 2 + 7)]).T
        on_face = np.abs(h) < 4 * sigma
        assert np.all(rho[on_face] > f["d"] / 2 - 4 * sigma), f["name"]
        ring = (rho > f["d"] / 2 + 1) & (np.abs(h) < 1.5)
        heights.append(h[ring])
    heights = np.concatenate(heights)
    assert len(heights) > 5 * len(holes)
    assert np.mean(np.abs(heights) < 4 * sigma) > 0.97
    assert 0.8 * sigma < 1.4826 * np.median(np.abs(heights - np.median(heights))) < 1.25 * sigma
    assert abs(np.median(heights)) < 0.1 * sigma + PLAIN.drift_mm / 10


def test_tubes_sleeves_and_studs_have_their_diameters(plain: Simulated) -> None:
    tree, off = cKDTree(plain.scan.points), []
    for f in plain.truth["features"]:
        if f["kind"] not in ("tube", "sleeve", "stud"):
            continue
        d, length = f.get("od", f["d"]), f.get("length", 80)
        middle = np.array(f["p"]) + (np.array(f["axis"]) * length / 2 if f["kind"] == "stud" else 0)
        rho, h = local({**f, "p": middle}, plain.scan.points[tree.query_ball_point(middle, length / 2 + d)]).T
        skin = rho[(np.abs(rho - d / 2) < 0.6) & (np.abs(h) < length / 2 - 4)]
        assert len(skin) > 8, f["name"]
        # the correlated noise is one value, or few, over a feature of its length
        assert np.mean(skin) == pytest.approx(d / 2, abs=3 * PLAIN.corr_mm + 0.4 / np.sqrt(len(skin))), f["name"]
        off.append(np.mean(skin) - d / 2)
    assert abs(np.mean(off)) < 3 * np.std(off) / np.sqrt(len(off)) < 0.1


def test_little_is_seen_inside_a_box_rail_but_the_walls_of_its_holes_are() -> None:
    case = replace(PLAIN, chassis="ladder", drift_mm=0.0, corr_mm=0.0, sigma_mm=0.02, spacing_mm=2.6, seed=2)
    scene = make(case)
    rail = next(f for f in scene.truth["features"] if f["name"] == "rail-L")
    assert World(case).chassis.body.genus() > 0
    points = in_car(scene, scene.scan.points)
    path = in_car(scene, rail["path"])
    y, z = points[:, 1] - path[0, 1], points[:, 2] - np.interp(points[:, 0], path[:, 0], path[:, 2])
    reach = (points[:, 0] > path[0, 0] + 150) & (points[:, 0] < path[-1, 0] - 150)
    beside = reach & (np.abs(y) < rail["w"]) & (np.abs(z) < rail["h"])
    inside = reach & (np.abs(y) < rail["w"] / 2 - 6) & (np.abs(z) < rail["h"] / 2 - 6)
    assert inside.sum() < 0.01 * beside.sum()
    tree = cKDTree(scene.scan.points)
    for f in scene.truth["features"]:
        if f["kind"] == "hole" and f["d"] >= 16 and "thickness" not in f:
            rho, h = local(f, scene.scan.points[tree.query_ball_point(f["p"], f["d"])]).T
            wall = (np.abs(rho - f["d"] / 2) < 0.1) & (h < -0.4) & (h > -3.0)
            assert wall.sum() > 0.1 * np.pi * f["d"] * 2.6 / case.spacing_mm**2, f["name"]


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


def test_a_written_scan_reads_back_as_made(tmp_path: Path) -> None:
    made = make(replace(PLAIN, spacing_mm=6.0, unit="in"))
    write(made, tmp_path)
    back = read([tmp_path / "scan.ply"], "in")
    np.testing.assert_allclose(back.points, made.scan.points, rtol=0, atol=1e-9)
    truth = json.loads((tmp_path / "truth.json").read_text("utf-8"))
    assert truth == json.loads(json.dumps(made.truth))
    assert truth["unit_scale"] == pytest.approx(1 / 25.4)
    assert np.ptp(made.scan.points, axis=0).max() > 1500


def test_window_cuts_scan_and_truth() -> None:
    cut = make(replace(PLAIN, spacing_mm=6.0, window_mm=(0.0, 500.0)))
    x = in_car(cut, cut.scan.points)[:, 0]
    assert -1 < x.min() < 10 and 490 < x.max() < 501
    assert cut.truth["x_range"] == [0.0, 500.0]
    holes = [in_car(cut, f["p"])[0] for f in cut.truth["features"] if f["kind"] == "hole"]
    assert holes and all(-1 < h < 501 for h in holes)


def test_fused_mesh_is_a_rough_surface_of_the_chassis_and_the_same_every_time() -> None:
    case = replace(PLAIN, scanner="fuse", frames=12, window_mm=(300.0, 500.0), sigma_mm=0.2)
    mesh = make(case)
    assert encode(mesh.scan) == encode(make(case).scan)
    triangles = mesh.scan.triangles
    assert triangles is not None and len(triangles) > 5_000 and triangles.max() < len(mesh.scan.points)
    world, o3d = World(case), open3d()
    vertices, faces = joined(world.surfaces(60.0))
    judge = o3d.t.geometry.RaycastingScene()
    judge.add_triangles(world.seen(vertices).astype(np.float32), faces.astype(np.uint32))
    away = judge.compute_distance(mesh.scan.points.astype(np.float32)).numpy()
    # a distance field rounds edges and disturbs thin sheet by up to a voxel; flat faces are far better
    assert 0.05 < np.median(away) < 0.4
    assert 0.85 < np.mean(away < case.voxel_mm) < 1


def test_a_wrong_case_is_refused() -> None:
    for wrong in ({"unit": "mile"}, {"spacing_mm": 0.0}, {"uneven": 0.5}, {"frames": 2}, {"chassis": "monocoque"}):
        with pytest.raises(UsageError):
            SceneCase(**wrong)  # type: ignore[arg-type]


@pytest.mark.skipif(not SCORE.exists(), reason="the score tool lies outside the project")
def test_the_score_tool_sees_most_features_of_the_demo() -> None:
    spec = importlib.util.spec_from_file_location("score", SCORE)
    assert spec is not None and spec.loader is not None
    score = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(score)
    demo = make(demo_case())
    assert 300_000 < len(demo.scan.points) < 420_000
    tree, wanted = cKDTree(demo.scan.points), [f for f in demo.truth["features"] if f["kind"] != "rail"]
    arrays = [{k: np.array(v) if isinstance(v, list) else v for k, v in f.items()} for f in wanted]
    assert np.mean([bool(score.observable(f, tree, demo.scan.points)) for f in arrays]) > 0.85


@pytest.mark.parametrize("sort", ["ladder", "perimeter", "channel", "tube"])
def test_fittings_of_one_car_of_many_lie_off_their_places_in_their_faces(sort: str) -> None:
    """Those named, each side by itself, by 0.8 mm along and across; nothing else moves, and a car keeps its own."""
    plain = replace(PLAIN, chassis=sort)
    as_designed = {m.name: m for m in design(plain).marks}
    fitting = next(n for n, m in as_designed.items() if m.kind == "clevis" and n.endswith("L"))
    varied = replace(plain, varied=(fitting[:-1],), varied_mm=0.8)
    one, same, other = (
        {m.name: m.p - as_designed[m.name].p for m in design(replace(varied, car=car)).marks} for car in (1, 1, 2)
    )
    moved = {name for name, off in one.items() if np.linalg.norm(off) > 1e-9}
    assert moved == {fitting, f"{fitting[:-1]}R"} and set(one) == set(as_designed)
    assert all(np.array_equal(one[n], same[n]) and not np.allclose(one[n], other[n], rtol=0) for n in moved)
    assert not np.allclose(np.abs(one[fitting]), np.abs(one[f"{fitting[:-1]}R"]), rtol=0, atol=1e-3)


def test_how_far_fittings_lie_off_is_as_said() -> None:
    """0.8 mm along and across the face, none out of it, the sides independent of each other: 400 cars."""
    item = Item(50.0, lambda seat: hole("a-0L", seat, 12.0, 3.0))
    seat = Seat(np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]))
    jigs = [Jig(frozenset(["a-0"]), 0.8, (1, car)) for car in range(400)]
    offs = np.array([[m.p for m in jig.made(item, seat).centre.marks] for jig in jigs])
    assert offs.shape == (400, 2, 3) and offs[..., :2].std(0) == pytest.approx(0.8, abs=0.08)
    assert np.all(offs[..., 2] == 0) and abs(np.corrcoef(offs[:, 0, 0], offs[:, 1, 0])[0, 1]) < 0.15
    assert Jig().made(item, seat).both.marks[0].p == pytest.approx([0, 0, 0])
