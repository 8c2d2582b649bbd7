"""Join: simulated scans of one chassis back in one frame, or refused; poses and their U against the truth."""

from dataclasses import replace

import numpy as np
import pytest
from fit_case import Scanner
from join_case import cut, miss, stretch, together, true_pose

from barerail.errors import DataError
from barerail.geometry.frames import from_rotation_vector, invert, rigid, transform
from barerail.geometry.registration.agreement import Agreement
from barerail.geometry.registration.search import Found
from barerail.records import CommonPoint, NoiseModel, Scan, Source, Tie
from barerail.scene import SceneCase, Simulated, make
from barerail.settings import CleanSettings, JoinSettings
from barerail.stages.clean import clean
from barerail.stages.fit.joints import with_joints
from barerail.stages.join import join, place
from barerail.stages.join.graph import Link, adjusted
from barerail.stages.join.graph import miss as miss_of_link

SETTINGS = JoinSettings()
NOISE = NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2)


def front() -> Simulated:
    return stretch("perimeter", 112, 1, 0.40, 1.0, 2.5, 0.1)


def rear() -> Simulated:
    return stretch("perimeter", 112, 2, 0.0, 0.66, 3.0, 0.2)


def picked(scans: dict[str, Simulated], places: np.ndarray, error: float, seed: int = 7) -> list[CommonPoint]:
    """The same places of the car, picked by hand in each scan with an error of `error` mm a way."""
    rng, out = np.random.default_rng(seed), []
    for name, s in scans.items():
        at = transform(np.array(s.truth["scan_from_car"]), places) + error * rng.normal(size=places.shape)
        out += [CommonPoint(2, f"T{i}", name, tuple(p)) for i, p in enumerate(at)]
    return out


PLACES = np.array([[-150.0, 420.0, 90.0], [220.0, -380.0, 60.0], [40.0, 0.0, 200.0], [120.0, 350.0, 10.0]])


@pytest.fixture(scope="module")
def joined() -> Scan:
    return join(together({"front": front().scan, "rear": rear().scan}), SETTINGS)


def test_front_and_rear_join_by_overlap_within_what_drift_allows(joined):
    turn, far = miss(joined.sources[1].pose, true_pose(front(), rear()), rear().scan.points[::50])
    assert turn < 0.04 and 0.02 < far < 0.8  # scanner drift of 0.08 mm a way; a perfect pose would be the truth itself
    (pair,) = joined.joints
    assert (pair.by, pair.first, pair.second) == ("overlap", 0, 1) and 0.25 < pair.share < 0.7
    assert 0.05 < pair.residual_mm < 0.2
    assert np.array_equal(joined.sources[0].pose, np.eye(4)) and joined.sources[0].tie is None
    assert any(
        "rear on front by overlap" in n.text and "% of the smaller one in common" in n.text for n in joined.notes
    )


def test_joined_pose_is_covered_by_the_drift_that_points_get(joined):
    tie = joined.sources[1].tie
    points = rear().scan.points[::50]
    off = transform(joined.sources[1].pose, points) - transform(true_pose(front(), rear()), points)
    noise, notes = with_joints(NOISE, joined.sources)
    far = np.linalg.norm(transform(joined.sources[1].pose, points) - tie.about, axis=1)
    u = 2 * np.sqrt(2 * noise.drift_mm**2 + (noise.drift_mm_per_m * far / 1000) ** 2)
    assert (np.abs(off) <= u[:, None]).mean() > 0.95
    assert 0.28 < noise.drift_mm_per_m < 0.4 and noise.drift_mm > NOISE.drift_mm
    assert "drift counts as" in notes[0].text


def test_the_same_scans_give_the_same_bytes():
    scans = {"front": front(), "rear": rear()}
    one, two = (
        join(together({n: s.scan for n, s in scans.items()}), SETTINGS, picked(scans, PLACES, 3.0)) for _ in "ab"
    )
    assert one.points.tobytes() == two.points.tobytes() and one.notes == two.notes


def test_scans_in_one_frame_stay_as_they_lie():
    pose = true_pose(front(), rear())
    moved = replace(
        rear().scan,
        points=transform(pose, rear().scan.points),
        normals=(rear().scan.normals @ pose[:3, :3].T).astype(np.float32),
    )
    out = join(together({"front": front().scan, "rear": moved}), SETTINGS)
    assert out.joints[0].by == "frame" and np.allclose(out.sources[1].pose, np.eye(4), rtol=0, atol=1e-9)
    nudged = replace(moved, points=moved.points + np.array([0.0, 2.0, 0.0]))
    common = picked({"front": front()}, PLACES, 0.5)
    common += [replace(c, scan="rear", position=tuple(c.position + np.array([0, 2.0, 0]))) for c in common]
    out = join(together({"front": front().scan, "rear": nudged}), SETTINGS, common)
    assert (
        out.joints[0].by == "points"
        and miss(out.sources[1].pose, rigid(np.eye(3), [0, -2, 0]), nudged.points[::50])[1] < 0.8
    )
    kept = join(together({"front": front().scan, "rear": nudged}), JoinSettings(method="frame"))
    assert kept.joints[0].by == "frame" and np.allclose(kept.sources[1].pose, np.eye(4), rtol=0, atol=1e-9)


def test_roughly_picked_points_start_what_the_surfaces_finish():
    scans = {"front": front(), "rear": rear()}
    out = join(together({n: s.scan for n, s in scans.items()}), SETTINGS, picked(scans, PLACES, 3.0))
    turn, far = miss(out.sources[1].pose, true_pose(front(), rear()), rear().scan.points[::50])
    assert out.joints[0].by == "points" and turn < 0.04 and far < 0.8


def test_points_alone_hold_scans_that_share_no_surface_and_say_how_well():
    head, tail = stretch("perimeter", 112, 1, 0.75, 1.0, 2.5, 0.1), stretch("perimeter", 112, 2, 0.0, 0.35, 3.0, 0.2)
    scans = {"head": head, "tail": tail}
    out = join(together({n: s.scan for n, s in scans.items()}), SETTINGS, picked(scans, 4 * PLACES, 0.5))
    tie, points = out.sources[1].tie, tail.scan.points[::50]
    off = transform(out.sources[1].pose, points) - transform(true_pose(head, tail), points)
    arm = transform(out.sources[1].pose, points) - tie.about
    j = np.stack([np.hstack([np.eye(3), np.array([[0, z, -y], [-z, 0, x], [y, -x, 0]])]) for x, y, z in arm])
    u = 2 * np.sqrt(np.einsum("nij,jk,nik->ni", j, tie.cov, j))
    assert out.joints[0].share < 0.05 and (np.abs(off) <= u).mean() > 0.9 and np.abs(off).max() > 0.1


@pytest.mark.parametrize(
    ("places", "spoilt", "words"),
    [
        (PLACES[:2], 0.0, "rear on front: 2 common points, at least 3 are needed"),
        (
            np.outer([0, 1, 2], [300.0, 10, 0]),
            0.0,
            r"rear on front: the common points T0, T1, T2 lie on one line, so a",
        ),
        (
            PLACES,
            400.0,
            r"rear on front: the common points don't fit, T\d misses by \d+ mm: is it the same place in both",
        ),
    ],
)
def test_common_points_that_hold_nothing_are_refused(places, spoilt, words):
    scans = {"front": front(), "rear": rear()}
    common = picked(scans, places, 0.1)
    common[-1] = replace(common[-1], position=(common[-1].position[0] + spoilt, *common[-1].position[1:]))
    with pytest.raises(DataError, match=words):
        join(together({n: s.scan for n, s in scans.items()}), SETTINGS, common)


def agreeing(score: float, share: float, shift: float = 0.0, turn: float = 0.0) -> Found:
    return Found(rigid(from_rotation_vector([0, 0, turn]), [shift, 0, 0]), Agreement(score, share, 0.1))


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ([], "tail on head: they overlap by 0 % of the smaller scan at best, 15 % are needed: scan more that both see"),
        ([agreeing(0.1, 0.09)], r"they overlap by 9 % of the smaller scan at best.*give common points \(--common\)"),
        ([agreeing(-0.02, 0.3)], "nowhere do their surfaces agree more than they contradict"),
        (
            [agreeing(0.3, 0.4), agreeing(0.25, 0.4, turn=np.pi)],
            r"two poses fit nearly alike \(scores 0.300 and 0.250, 180 degrees and \d+ mm apart\): a bare frame looks",
        ),
    ],
)
def test_what_overlap_can_not_tell_for_certain_is_refused(monkeypatch, found, words):
    monkeypatch.setattr(place, "search", lambda *given: found)
    head, tail = stretch("perimeter", 112, 1, 0.75, 1.0, 2.5, 0.1), stretch("perimeter", 112, 2, 0.0, 0.35, 3.0, 0.2)
    with pytest.raises(DataError, match=words):
        join(together({"head": head.scan, "tail": tail.scan}), SETTINGS)


def symmetric(seed: int, pose: np.ndarray) -> Scan:
    """A frame of boxes that half a turn about its middle brings on to itself."""
    s = Scanner(np.random.default_rng(seed), 3.0, 0.1)
    out = s.box(900, 50, 70, 5).placed(np.eye(3), [0, 250, 0]) + s.box(900, 50, 70, 5).placed(np.eye(3), [0, -250, 0])
    across = from_rotation_vector([0, 0, np.pi / 2])
    for x in (-300.0, 300.0):
        out += s.box(450, 40, 50, 4).placed(across, [x, 0, 0])
    return s.scan(out.placed(pose[:3, :3], pose[:3, 3]), True)


def test_a_frame_that_is_its_own_half_turn_is_refused_not_guessed():
    turned = rigid(from_rotation_vector([0.3, 0.2, 2.0]), [100.0, 50.0, 900.0])
    scans = {"one": symmetric(101, np.eye(4)), "two": symmetric(102, turned)}
    with pytest.raises(
        DataError, match=r"two on one: two poses fit nearly alike \(scores .* 180 degrees and \d+ mm apart\)"
    ):
        join(together(scans), SETTINGS)


def test_a_fine_detail_joins_a_coarse_whole_and_keeps_its_own_spacing_and_noise():
    whole = stretch("ladder", 121, 1, 0.0, 1.0, 2.5, 0.1)
    mark = next(f for f in whole.truth["features"] if f["kind"] == "clevis")
    car = transform(invert(np.array(whole.truth["scan_from_car"])), np.array(mark["p"]))
    window = (car[0] - 110, car[0] + 110)
    case = SceneCase("ladder", seed=121, scan_seed=2, small=True, spacing_mm=0.6, sigma_mm=0.03, corr_mm=0.02)
    scan = make(replace(case, drift_mm=0.02, window_mm=window))
    near = (
        np.linalg.norm(transform(invert(np.array(scan.truth["scan_from_car"])), scan.scan.points) - car, axis=1) < 110
    )
    scans = {"whole": whole, "detail": cut(scan, near)}
    common = picked(scans, car + np.array([[80.0, 0, 0], [0, 60, 30], [-60, -50, 0], [0, 10, -70]]), 1.5)
    out = join(together({n: s.scan for n, s in scans.items()}), SETTINGS, common)
    turn, far = miss(out.sources[1].pose, true_pose(whole, scans["detail"]), scans["detail"].scan.points[::50])
    assert turn < 0.15 and far < 0.6 and out.joints[0].share > 0.6  # of the detail, not of the whole
    noise, _ = with_joints(NOISE, out.sources)
    assert noise.drift_mm_per_m == NOISE.drift_mm_per_m and noise.drift_mm < 0.2  # a detail moves nothing but itself
    coarse, fine = clean(out, CleanSettings()).scan.sources
    assert coarse.spacing_mm == pytest.approx(2.5, rel=0.15) and fine.spacing_mm == pytest.approx(0.6, rel=0.15)
    assert 0.07 < coarse.noise_mm < 0.2 and 0.02 < fine.noise_mm < 0.06


def test_a_loop_that_does_not_close_is_spread_over_the_chain_and_widens_U():
    step = rigid(np.eye(3), [1000.0, 0, 0])
    cov = np.diag([0.01**2] * 3 + [1e-5**2] * 3)
    ends = rigid(np.eye(3), [2000.0, 0.3, 0.0])  # the chain says y = 0
    links = [
        Link(0, 1, step, np.zeros(3), cov, ""),
        Link(1, 2, step, np.zeros(3), cov, ""),
        Link(0, 2, ends, np.zeros(3), cov, ""),
    ]
    chain = [np.eye(4), step, step @ step]
    about = [np.zeros(3), np.array([1000.0, 0, 0]), np.array([2000.0, 0, 0])]
    poses, covs = adjusted(chain, links, about)
    gap = np.linalg.norm(miss_of_link(links[2], chain)[:3])
    assert gap == pytest.approx(0.3, abs=1e-6)
    assert 0.02 < poses[1][1, 3] < 0.28 and 0.1 < poses[2][1, 3] < 0.29
    assert max(abs(miss_of_link(link, poses)[1]) for link in links) < 0.2
    calm = adjusted(chain, [*links[:2], replace(links[2], pose=step @ step)], about)[1]
    assert np.trace(covs[2][:3, :3]) > 10 * np.trace(calm[2][:3, :3]) and (covs[0] == 0).all()


def test_what_a_tie_adds_to_drift():
    cov = np.diag([0.1**2] * 3 + [2e-4**2] * 3)
    source = Source("a", "", 0, (0, 1), np.eye(4))
    far = replace(source, tie=Tie(np.zeros(3), cov, 1000.0, 2))
    near = replace(source, tie=Tie(np.zeros(3), cov, 100.0, 1))
    assert with_joints(NOISE, [source]) == (NOISE, ())
    model = with_joints(NOISE, [source, far])[0]
    assert model.drift_mm == pytest.approx(np.hypot(0.05, 0.1))
    assert model.drift_mm_per_m == pytest.approx(np.sqrt(3 * 0.2**2 + 0.2**2))
    model = with_joints(NOISE, [source, near])[0]
    assert model.drift_mm == pytest.approx(np.sqrt(0.05**2 + 0.1**2 + 0.02**2)) and model.drift_mm_per_m == 0.2


def test_scans_said_to_lie_in_one_frame_are_taken_so_even_where_nothing_can_tell():
    head, tail = stretch("perimeter", 112, 1, 0.75, 1.0, 2.5, 0.1), stretch("perimeter", 112, 2, 0.0, 0.35, 3.0, 0.2)
    pose = true_pose(head, tail)
    moved = replace(tail.scan, points=transform(pose, tail.scan.points))
    moved = replace(moved, normals=(tail.scan.normals @ pose[:3, :3].T).astype(np.float32))
    out = join(together({"head": head.scan, "tail": moved}), JoinSettings(method="frame"))
    assert np.allclose(out.points, together({"head": head.scan, "tail": moved}).points, rtol=0, atol=1e-9)
    note = next(n for n in out.notes if n.stage == "join")
    assert note.text == "tail on head as they lie: they share no surface that could tell whether that is right"
    assert note.warning


def test_a_scan_of_scattered_points_is_refused():
    scattered = np.random.default_rng(5).uniform(-400, 400, (5000, 3))
    odd = replace(rear().scan, points=scattered, normals=rear().scan.normals[:5000])
    with pytest.raises(
        DataError, match="cloud has too little smooth surface to be joined: scan it denser, or leave it out"
    ):
        join(together({"front": front().scan, "cloud": odd}), SETTINGS)
