"""Clean: spacing, noise, sides and labels of scans whose every number was put in, and nothing lost on the way."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from fit_case import Scanner, across, as_scan

from barerail.geometry.frames import from_rotation_vector
from barerail.records import CHASSIS, FLOOR, LABELS, SPECK, STAND, Array, CleanScan, Scan
from barerail.scene import SceneCase, make
from barerail.settings import CleanSettings
from barerail.stages.clean import clean

SETTINGS = CleanSettings()
TURN = from_rotation_vector([0.4, -1.1, 2.0])


def scanner(seed: int = 100, spacing: float = 2.0, noise: float = 0.08) -> Scanner:
    return Scanner(np.random.default_rng(seed), spacing, noise)


def frame(s: Scanner, normals: bool = True) -> Scan:
    """Two box rails and a box between them, in an arbitrary pose."""
    out = s.box(400, 50, 70, 5).placed(np.eye(3), [0, 175, 0]) + s.box(400, 50, 70, 5).placed(np.eye(3), [0, -175, 0])
    out += s.box(300, 40, 50, 4).placed(across([0, 0, 1])[:, [1, 0, 2]] * [1, -1, 1], [100, 0, 0])
    return s.scan(out.placed(TURN, [300, -200, 500]), normals)


@pytest.fixture(scope="module")
def scan() -> Scan:
    return frame(scanner())


@pytest.fixture(scope="module")
def cleaned(scan: Scan) -> CleanScan:
    return clean(scan, SETTINGS)


def everything(c: CleanScan) -> list[bytes]:
    arrays = (c.thin, c.normals, c.flat, c.label, c.order, c.start)
    return [a.tobytes() for a in arrays] + [
        repr((c.voxel_mm, c.spacing_mm, c.noise_mm, c.own_normals, c.notes)).encode()
    ]


@pytest.mark.parametrize(
    ("spacing", "noise", "normals"),
    [(1.0, 0.2, True), (2.0, 0.03, True), (2.0, 0.2, False), (4.0, 0.03, False), (4.0, 0.2, True)],
)
def test_spacing_and_noise_are_those_put_in(spacing: float, noise: float, normals: bool) -> None:
    s = scanner(101, spacing, noise)
    c = clean(s.scan(s.box(120 * spacing, 80, 100, 6), normals), SETTINGS)
    assert c.spacing_mm == pytest.approx(spacing, rel=0.1)
    assert c.noise_mm == pytest.approx(noise, rel=0.1)
    assert c.scan.sources[0].spacing_mm == c.spacing_mm and c.scan.sources[0].noise_mm == c.noise_mm


def test_spacing_of_a_thin_sheet_is_that_of_one_face() -> None:
    s = scanner(102)
    bent = s.sheet((250, 160), 3.0) + s.sheet((160, 160), 3.0).placed(across([1, 0, 0]), [125, 0, 80])
    assert clean(s.scan(bent), SETTINGS).spacing_mm == pytest.approx(2.0, rel=0.1)


def test_curvature_of_tubes_is_not_taken_for_noise() -> None:
    s = scanner(103, 2.0, 0.1)
    tubes = s.wall((0, 0, 20.0), -500, 500, True) + s.wall((300, 0, 16.0), -500, 500, True)
    assert clean(s.scan(tubes), SETTINGS).noise_mm == pytest.approx(0.1, rel=0.2)


def test_cells_hold_every_point_once_and_their_mean(scan: Scan, cleaned: CleanScan) -> None:
    c = cleaned
    assert sorted(c.order.tolist()) == list(range(len(scan.points)))
    assert c.start[0] == 0 and c.start[-1] == len(c.order) and len(c.start) == len(c.thin) + 1
    mean = np.add.reduceat(scan.points[c.order], c.start[:-1], axis=0) / np.diff(c.start)[:, None]
    np.testing.assert_allclose(c.thin, mean, rtol=0, atol=1e-9)
    reach = np.linalg.norm(scan.points[c.order] - np.repeat(c.thin, np.diff(c.start), axis=0), axis=1)
    assert reach.max() < c.voxel_mm * np.sqrt(3)
    assert len(c.normals) == len(c.flat) == len(c.label) == len(c.thin)
    assert len(scan.points) / 6 < len(c.thin) < len(scan.points) / 1.5


def test_nothing_is_deleted_and_the_scan_itself_stays(scan: Scan, cleaned: CleanScan) -> None:
    assert cleaned.scan.points is scan.points and cleaned.scan.normals is scan.normals
    assert not cleaned.thin.flags.writeable
    assert set(np.unique(cleaned.label).tolist()) <= set(range(len(LABELS)))


def test_same_scan_same_bytes(scan: Scan, cleaned: CleanScan) -> None:
    assert everything(clean(scan, SETTINGS)) == everything(cleaned)


def test_normals_are_unit_and_point_out_of_the_metal(scan: Scan, cleaned: CleanScan) -> None:
    np.testing.assert_allclose(np.linalg.norm(cleaned.normals, axis=1), 1.0, rtol=0, atol=1e-9)
    first = cleaned.order[cleaned.start[:-1]]
    cosine = np.einsum("ij,ij->i", cleaned.normals, scan.normals[first])
    assert cleaned.own_normals and (cosine > 0.9).mean() > 0.99 and (cosine > 0).mean() > 0.999


def test_normals_into_the_metal_are_turned_and_it_says_so(scan: Scan) -> None:
    settings = CleanSettings(voxel_mm=4.0)
    right, turned = (clean(replace(scan, normals=n), settings) for n in (scan.normals, -scan.normals))
    assert any("turned" in n.text and n.warning for n in turned.notes)
    assert not any("turned" in n.text for n in right.notes)
    order, other = (np.lexsort(c.thin.T) for c in (right, turned))
    np.testing.assert_allclose(turned.thin[other], right.thin[order], rtol=0, atol=1e-9)
    assert (np.einsum("ij,ij->i", turned.normals[other], right.normals[order]) > 0.99).mean() > 0.99


def test_normals_with_random_signs_are_not_used_and_it_says_so(scan: Scan) -> None:
    sign = np.random.default_rng(104).choice([-1, 1], len(scan.points)).astype(np.float32)
    c = clean(replace(scan, normals=scan.normals * sign[:, None]), SETTINGS)
    assert any("disagree" in n.text and "found from its points" in n.text and n.warning for n in c.notes)
    assert (np.einsum("ij,ij->i", c.scan.normals, scan.normals) > 0.7).mean() > 0.97


def blocks(scan: Scan) -> Array:
    """1 or -1 by turns over cubes of 100 mm."""
    return np.where(np.floor((scan.points @ TURN) / 100).sum(axis=1) % 2, 1.0, -1.0)


def one_side(scan: Scan) -> Array:
    y = (scan.points @ TURN)[:, 1]
    return np.where(y > np.median(y), 1.0, -1.0)


@pytest.mark.parametrize("turned", [blocks, one_side])
def test_normals_that_are_turned_over_in_patches_are_not_used(scan: Scan, turned: Callable[[Scan], Array]) -> None:
    given = (scan.normals * turned(scan)[:, None]).astype(np.float32)
    c = clean(replace(scan, normals=given), SETTINGS)
    assert not c.own_normals and any("in places" in n.text and n.warning for n in c.notes)
    assert (np.einsum("ij,ij->i", c.scan.normals, scan.normals) > 0.7).mean() > 0.97


def test_normals_that_many_points_lack_are_not_used(scan: Scan) -> None:
    given = np.where(np.random.default_rng(107).random(len(scan.points))[:, None] < 0.15, 0, scan.normals)
    c = clean(replace(scan, normals=given.astype(np.float32)), SETTINGS)
    assert not c.own_normals and any("15 % of the points have no normal" in n.text for n in c.notes)


def test_points_that_are_there_twice_get_the_normals_they_get_once(scan: Scan) -> None:
    some = scan.points[:8000]
    once = clean(replace(as_scan(some), normals=None), SETTINGS)
    twice = clean(replace(as_scan(np.vstack([some, some])), normals=None), SETTINGS)
    assert np.array_equal(twice.scan.normals, np.vstack([once.scan.normals] * 2))


def test_good_normals_of_a_sheet_as_thin_as_a_cell_are_used() -> None:
    s = scanner(105, 2.4)
    angle = s.sheet((300, 160), 3.5) + s.sheet((300, 160), 3.5).placed(across([0, 1, 0]), [0, 80, 80])
    c = clean(s.scan(angle), SETTINGS)
    assert c.own_normals and not any(n.warning for n in c.notes)


def test_a_scan_without_normals_gets_some_and_it_says_so(scan: Scan) -> None:
    c = clean(replace(scan, normals=None), SETTINGS)
    assert not c.own_normals and any("no normals" in n.text and "found from its points" in n.text for n in c.notes)
    np.testing.assert_allclose(np.linalg.norm(c.normals, axis=1), 1.0, rtol=0, atol=1e-9)
    cosine = np.einsum("ij,ij->i", c.scan.normals, scan.normals)
    assert (cosine > 0.7).mean() > 0.97


def test_a_scan_a_kilometre_from_zero_comes_out_the_same(scan: Scan) -> None:
    settings = CleanSettings(voxel_mm=4.0)
    near = clean(scan, settings)
    # a multiple of the cell and of the 12 mm that pieces are joined over
    shift = np.array([1.2e6, -6e5, 1.2e6])
    far = clean(replace(scan, points=scan.points + shift), settings)
    np.testing.assert_allclose(far.thin - shift, near.thin, rtol=0, atol=1e-6)
    np.testing.assert_array_equal(far.order, near.order)
    np.testing.assert_array_equal(far.label, near.label)
    assert far.spacing_mm == pytest.approx(near.spacing_mm, rel=1e-6)
    assert far.noise_mm == pytest.approx(near.noise_mm, rel=1e-4)
    assert (np.einsum("ij,ij->i", far.normals, near.normals) > 0.9999).all()


def test_points_that_are_there_twice_count_once(scan: Scan, cleaned: CleanScan) -> None:
    twice = as_scan(np.vstack([scan.points] * 2), np.vstack([scan.normals] * 2))
    c = clean(twice, SETTINGS)
    assert c.spacing_mm == pytest.approx(cleaned.spacing_mm, rel=0.02)
    assert len(c.order) == len(scan.points)
    assert any(n.count == len(scan.points) for n in c.notes)


def test_a_speck_off_the_frame_is_labelled(scan: Scan) -> None:
    s = scanner(106)
    ball = s.wall((0, 0, 6.0), -6, 6, True)
    lone = s.scan(ball.placed(np.eye(3), [900, 900, 900]))
    both = as_scan(np.vstack([scan.points, lone.points]), np.vstack([scan.normals, lone.normals]))
    c = clean(both, SETTINGS)
    cell = np.repeat(np.arange(len(c.thin)), np.diff(c.start))
    label = np.empty(len(both.points), int)
    label[c.order] = c.label[cell]
    assert (label[len(scan.points) :] == SPECK).all() and (label[: len(scan.points)] == CHASSIS).all()
    assert any(n.text.startswith("speck") for n in c.notes)


def test_a_single_flat_sheet_is_not_its_own_floor() -> None:
    s = scanner(107, 3.0)
    c = clean(s.scan(s.sheet((600, 400), 4.0)), SETTINGS)
    assert c.floor is None and (c.label == CHASSIS).all()


@pytest.fixture(scope="module")
def on_stands() -> tuple[Scan, np.ndarray, CleanScan]:
    """A ladder frame on four stands, each point's height in car axes over the chassis' own zero, and it cleaned."""
    simulated = make(SceneCase("ladder", seed=100, small=True, spacing_mm=5.0, clutter=0, patches=0, floor=True))
    pose = np.array(simulated.truth["scan_from_car"])
    height = ((simulated.scan.points - pose[:3, 3]) @ pose[:3, :3])[:, 2]
    return simulated.scan, height, clean(simulated.scan, SETTINGS)


def test_floor_and_stands_are_labelled_and_the_frame_is_not(on_stands: tuple) -> None:
    scan, height, c = on_stands
    cell = np.repeat(np.arange(len(c.thin)), np.diff(c.start))
    label = np.empty(len(scan.points), int)
    label[c.order] = c.label[cell]
    low = height.min()
    floor, frame = height < low + 6, height > low + 480 + 20
    stand = (height > low + 60) & (height < low + 400)
    assert stand.sum() > 1000
    assert (label[floor] == FLOOR).mean() > 0.99
    assert (label[stand] == STAND).mean() > 0.99
    assert (label[frame] == CHASSIS).mean() > 0.99
    assert {n.text.split(":")[0] for n in c.notes} >= {"floor", "stand"}


def test_the_floor_plane_looks_up_at_the_frame(on_stands: tuple) -> None:
    scan, height, c = on_stands
    assert c.floor is not None
    assert np.linalg.norm(c.floor[:3]) == pytest.approx(1.0)
    above = scan.points @ c.floor[:3] - c.floor[3]
    assert np.abs(above[height < height.min() + 6]).max() < 6
    assert (above[height > height.min() + 480] > 400).all()


def test_rail_undersides_are_no_floor(cleaned: CleanScan) -> None:
    assert cleaned.floor is None and (cleaned.label == CHASSIS).all()


def test_the_web_of_a_tall_rail_is_no_floor() -> None:
    """Seen from the side, a bare ladder is its rail, all of it on one side of the web."""
    s = scanner(108, 4.0)
    rails = [s.box(1200, 60, 160, 5).placed(np.eye(3), [0, y, 0]) for y in (250.0, -250.0)]
    across_car = np.array([[0, -1.0, 0], [1, 0, 0], [0, 0, 1]])
    beams = [s.box(440, 40, 60, 4).placed(across_car, [x, 0, 0]) for x in (-500.0, 500.0)]
    c = clean(s.scan((rails[0] + rails[1] + beams[0] + beams[1]).placed(TURN, [0, 0, 0])), SETTINGS)
    assert c.floor is None and (c.label == CHASSIS).all()


def test_noisy_normals_do_not_change_the_spacing() -> None:
    """Normals tell the faces of a sheet apart and must not be read as distance: 3 degrees of noise, same spacing."""
    scan = frame(scanner())
    assert scan.normals is not None
    rng = np.random.default_rng(106)
    noisy = scan.normals + rng.normal(0, np.radians(3), scan.normals.shape)
    noisy /= np.linalg.norm(noisy, axis=1)[:, None]
    told = clean(replace(scan, normals=noisy.astype(np.float32)), SETTINGS).spacing_mm
    assert told == pytest.approx(clean(scan, SETTINGS).spacing_mm, rel=0.01)
