"""The whole method on one scan and on changed copies of it: what must move with the change moves, the rest stays.

No source: relations that hold for any measurement (metamorphic testing, common practice).
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from barerail.geometry.frames import direction, from_rotation_vector, invert, rigid, transform
from barerail.records import MountPoint, Scan
from barerail.run import Result, process
from barerail.scene import SceneCase, make
from barerail.settings import Settings
from speed.matching import across, shown
from speed.matching import matched as hits

CASE = SceneCase("perimeter", seed=101, scan_seed=1, small=True, spacing_mm=3.0, patches=4, clutter=2, twist_deg=0.4)
KINDS = ("hole", "slot", "stud", "bolt-axis", "sleeve")


class Scene:
    def __init__(self) -> None:
        made = make(CASE)
        self.scan, self.truth = made.scan, made.truth
        self.pose = np.array(made.truth["scan_from_car"])
        self.rear, self.front = made.truth["x_range"]
        self.base = self.run(self.scan)

    def run(self, scan: Scan, pose: np.ndarray | None = None, mirrored: bool = False) -> Result:
        """The method with front and above given in the scan's own axes."""
        at = self.pose if pose is None else pose
        ahead, over = transform(at, np.array([[2 * self.front - self.rear, 0, 0], [0, 0, 3000]]))
        k = scan.mm_per_unit
        datum = Settings().datum.model_copy(update={"front": tuple(ahead / k), "above": tuple(over / k)})
        straight = Settings().straightness.model_copy(update={"supports_known": True})
        return process(scan, Settings().model_copy(update={"datum": datum, "straightness": straight}))


@pytest.fixture(scope="module")
def scene() -> Scene:
    return Scene()


def changed(scan: Scan, points: np.ndarray, normals: np.ndarray | None = None, rows: np.ndarray | None = None) -> Scan:
    """The scan with other points; rows: which of the normals stay."""
    own = scan.normals if normals is None else normals
    kept = own if rows is None else own[rows]
    source = replace(scan.sources[0], rows=(0, len(points)))
    return replace(scan, points=points, normals=np.asarray(kept, np.float32), sources=(source,))


def spots(result: Result) -> list[MountPoint]:
    return [p for p in result.points.points if p.kind in KINDS]


def matched(
    a: Result, b: Result, turn: Callable[[np.ndarray], np.ndarray] = lambda x: x
) -> list[tuple[MountPoint, MountPoint]]:
    """Points of both that are the same feature: same kind, within 3 mm."""
    out = []
    for p in spots(a):
        near = [q for q in spots(b) if q.kind == p.kind and np.linalg.norm(turn(q.position) - p.position) < 3.0]
        if near:
            out.append((p, min(near, key=lambda q: float(np.linalg.norm(turn(q.position) - p.position)))))
    return out


def off(pairs: list, turn: Callable[[np.ndarray], np.ndarray] = lambda x: x) -> np.ndarray:
    return np.array([np.linalg.norm(turn(q.position) - p.position) for p, q in pairs])


def same_car(a: Result, b: Result) -> Callable[[np.ndarray], np.ndarray]:
    """Places of b in the car axes of a: both lie in one scan's axes. Another pair may be the origin."""
    move = a.datum.car_from_scan @ invert(b.datum.car_from_scan)
    return lambda x: transform(move, x)


def within_u(pairs: list, turn: Callable[[np.ndarray], np.ndarray]) -> float:
    """Share of points whose two fits lie within their joint U."""
    u = [2 * np.trace(p.cov_local + q.cov_local) ** 0.5 for p, q in pairs]
    return float(np.mean(off(pairs, turn) < u))


def twist(result: Result) -> float:
    value = result.straightness.measures["twist_deg"].value
    assert value is not None
    return value


def test_what_the_scan_holds_is_found_and_little_else(scene: Scene) -> None:
    """A fall in recall shows here. Measured on this scan at 3 mm: 24 of 29 features that it shows, 0.05 mm off at the
    median and 0.10 mm at 95 %; the bounds leave a little room."""
    tree = cKDTree(scene.scan.points)
    features = scene.base.features
    truths = [t for t in scene.truth["features"] if t["kind"] in ("hole", "slot", "stud", "clevis", "sleeve")]
    seen = [t for t in truths if shown(t, tree, scene.base.clean.spacing_mm)]
    pairs = hits(features.found, truths)
    found = [j for _, j in pairs]
    assert len(seen) == 29
    assert sum(truths.index(t) in found for t in seen) >= 0.8 * len(seen)
    size = [across(features.found[i], truths[j])[0] for i, j in pairs]
    assert np.median(size) < 0.08 and np.quantile(size, 0.95) < 0.25


def test_moved_and_turned_the_car_is_the_same(scene: Scene) -> None:
    move = rigid(from_rotation_vector([0.7, -1.1, 0.4]), [900.0, -350.0, 120.0])
    scan = changed(scene.scan, transform(move, scene.scan.points), direction(move, scene.scan.normals))
    result = scene.run(scan, move @ scene.pose)
    pairs = matched(scene.base, result)
    assert len(pairs) >= 0.95 * len(spots(scene.base))
    assert np.median(off(pairs)) < 0.05 and np.quantile(off(pairs), 0.95) < 0.3
    assert twist(result) == pytest.approx(twist(scene.base), abs=0.01)


def test_mirrored_left_and_right_swap_and_the_twist_changes_sign(scene: Scene) -> None:
    flip = np.diag([1.0, -1.0, 1.0])

    def turn(x: np.ndarray) -> np.ndarray:
        return flip @ x

    car = scene.base.datum.car_from_scan
    points = transform(car, scene.scan.points) @ flip
    scan = changed(scene.scan, points, direction(car, scene.scan.normals) @ flip)
    result = scene.run(scan, car @ scene.pose)
    pairs = matched(scene.base, result, turn)
    assert len(pairs) >= 0.95 * len(spots(scene.base))
    # The origin is a pair of holes, fitted on a scan that is cut in other cells: within its own U.
    u = 2 * float(scene.base.datum.covariance[0, 0]) ** 0.5
    assert np.median(off(pairs, turn)) < u and np.quantile(off(pairs, turn), 0.95) < 0.3
    swap = {"L": "R", "R": "L", "C": "C"}
    assert all(q.side == swap[p.side] for p, q in pairs)
    assert twist(result) == pytest.approx(-twist(scene.base), abs=0.01)


def test_thinned_by_half_points_stay_within_u_and_u_grows(scene: Scene) -> None:
    rows = np.flatnonzero(np.random.default_rng(3).uniform(size=len(scene.scan.points)) < 0.5)
    result = scene.run(changed(scene.scan, scene.scan.points[rows], rows=rows))
    assert result.clean.spacing_mm == pytest.approx(np.sqrt(2) * scene.base.clean.spacing_mm, rel=0.05)
    turn = same_car(scene.base, result)
    pairs = matched(scene.base, result, turn)
    # Narrower than five spacings a random cloud has empty discs of its own.
    wide = [p for p in spots(scene.base) if p.diameter > 5 * result.clean.spacing_mm]
    assert len(wide) > 10 and sum(any(p is q for q, _ in pairs) for p in wide) >= 0.9 * len(wide)
    ratio = [np.trace(q.cov_local) ** 0.5 / np.trace(p.cov_local) ** 0.5 for p, q in pairs if p.kind == "hole"]
    assert 1.05 < np.median(ratio) < 2.5
    assert within_u(pairs, turn) > 0.9


def test_twice_the_noise_is_measured_as_such_and_spreads_the_rails(scene: Scene) -> None:
    rng = np.random.default_rng(4)
    more = np.sqrt(3) * CASE.sigma_mm * rng.normal(size=scene.scan.points.shape)
    result = scene.run(changed(scene.scan, scene.scan.points + more))
    assert result.features.noise.white_mm == pytest.approx(2 * scene.base.features.noise.white_mm, rel=0.15)
    rms = [np.median([s.rms for rail in r.features.rails for s in rail.stations]) for r in (scene.base, result)]
    assert rms[1] / rms[0] == pytest.approx(2, rel=0.25)
    assert twist(result) == pytest.approx(twist(scene.base), abs=0.02)


def test_clutter_beside_the_car_moves_nothing(scene: Scene) -> None:
    rng = np.random.default_rng(5)
    way = rng.normal(size=(15_000, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    ball = transform(scene.pose, np.array([200.0, 150.0, 320.0]) + 70 * way * [1.5, 0.8, 1.0])
    points = np.vstack([scene.scan.points, ball])
    normals = np.vstack([scene.scan.normals, direction(scene.pose, way)])
    result = scene.run(changed(scene.scan, points, normals))
    turn = same_car(scene.base, result)
    pairs = matched(scene.base, result, turn)
    assert len(pairs) >= 0.9 * len(spots(scene.base)) and within_u(pairs, turn) > 0.95
    assert twist(result) == pytest.approx(twist(scene.base), abs=0.01)


def test_in_inches_the_car_is_the_same(scene: Scene) -> None:
    """The reader turns the file's unit to mm: here a file in inches, with what its float32 coordinates lose."""
    points = (scene.scan.points / 25.4).astype(np.float32).astype(float) * 25.4
    result = scene.run(replace(changed(scene.scan, points), unit="in", mm_per_unit=25.4))
    turn = same_car(scene.base, result)
    pairs = matched(scene.base, result, turn)
    assert len(pairs) >= 0.9 * len(spots(scene.base)) and within_u(pairs, turn) > 0.95
    assert np.median(off(pairs, turn)) < 0.02


def test_the_order_of_the_points_does_not_matter(scene: Scene) -> None:
    """Not by a single bit: points are put into an order of their places before anything is summed."""
    rows = np.arange(len(scene.scan.points))[::-1]
    result = scene.run(changed(scene.scan, scene.scan.points[rows], rows=rows))
    assert [p.name for p in result.points.points] == [p.name for p in scene.base.points.points]
    for p, q in zip(scene.base.points.points, result.points.points):
        assert np.array_equal(q.position, p.position, equal_nan=True), p.name


def test_half_a_car_says_what_it_can_t_and_keeps_what_it_sees(scene: Scene) -> None:
    at = transform(scene.base.datum.car_from_scan, scene.scan.points)
    middle = (at[:, 0].min() + at[:, 0].max()) / 2
    rows = np.flatnonzero(at[:, 0] > middle)
    result = scene.run(changed(scene.scan, scene.scan.points[rows], rows=rows))
    m, n = (r.datum.car_from_scan @ scene.pose for r in (scene.base, result))
    move = m @ invert(n)

    def turn(x: np.ndarray) -> np.ndarray:
        return transform(move, x)

    front = [p for p in spots(scene.base) if p.position[0] > middle + 60]
    found = [p for p, _ in matched(scene.base, result, turn) if p.position[0] > middle + 60]
    assert len(found) >= 0.9 * len(front)
    assert np.degrees(np.arccos(np.clip(m[1, :3] @ n[1, :3], -1, 1))) < 0.1
    u = [r.straightness.measures["twist_deg_per_m"].U for r in (scene.base, result)]
    assert u[1] is None or u[1] > u[0]
