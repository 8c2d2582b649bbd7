"""Empty places: share of patches missing from simulated scans that the pages tell of, and what they tell wrongly.

    python tests/speed/gaps.py --scenes 4 --seed 1
    python tests/speed/gaps.py --scenes 4 --seed 1 --sort tube

Balls are cut out of scans of chassis of every sort. A patch counts where it took as much as a 60 mm disc of one flat
face or of round tubes. A place told is wrong where less than four fifths of it is metal, judged by the chassis as made.
"""

import argparse
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.gaps import Mask
from barerail.geometry.skins import Tube
from barerail.outputs.empty import Empty, empty_by_edges, empty_by_mirror
from barerail.records import Array, CleanScan, Datum
from barerail.scene.case import SORTS, SceneCase
from barerail.scene.faults import Field
from barerail.scene.scanner import points_on
from barerail.scene.simulate import World, as_read, make
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit
from barerail.stages.fit.skins import skins_of

BALLS, RADIUS_MM = 10, (30.0, 55.0)
DISC_MM2 = np.pi * 30.0**2
STEP_MM, ROUND_MM = 3.0, 2.5


class Metal:
    """The surface of a chassis and all that stands about it, as scanned: points (n, 3), normals, and whose they are."""

    def __init__(self, world: World, rng: np.random.Generator) -> None:
        case = replace(world.case, spacing_mm=STEP_MM, uneven=1.0)
        drawn = [points_on(case, s, Field.slow(250.0, 900.0, rng), rng) for s in world.surfaces(60.0)]
        self.points = np.vstack([world.seen(p) for p, _ in drawn])
        self.normals = np.vstack([n for _, n in drawn]) @ world.pose[:3, :3].T
        self.chassis = np.repeat(np.arange(len(drawn)) == 0, [len(p) for p, _ in drawn])
        self.round = self.chassis & _on_tubes(world, self.points)
        self.tree = cKDTree(self.points)

    def share(self, empty: Empty) -> float:
        """Share of an empty place that is metal facing its way."""
        gap = empty.gaps[0]
        away, row = self.tree.query(gap.cells, k=8, distance_upper_bound=7.0)
        turn = np.einsum("ijk,ik->ij", self.normals[np.minimum(row, len(self.points) - 1)], gap.normals)
        alike = np.abs(turn) > 0.85
        return float((alike & np.isfinite(away)).any(axis=1).mean())

    def within(self, seen: cKDTree, centre: Array, radius: float) -> float:
        """Area, mm2, of scanned chassis surface in a ball that faces one way or is round, the larger of both."""
        rows = np.array(self.tree.query_ball_point(centre, radius), np.int64)
        rows = rows[self.chassis[rows] & (seen.query(self.points[rows])[0] < 4.0)]
        if not len(rows):
            return 0.0
        turn = self.normals[rows] @ self.normals[rows[:: max(1, len(rows) // 200)]].T
        return float(max((turn > 0.98).sum(axis=0).max(), self.round[rows].sum())) * STEP_MM**2


def _on_tubes(world: World, points: Array) -> Mask:
    """Which points (n, 3) lie on the outside of a round tube."""
    on = np.zeros(len(points), bool)
    for mark in world.chassis.marks:
        if mark.kind == "tube":
            a, b = world.seen(np.array([mark.points["p0"], mark.points["p1"]]))
            flat, off = Tube(np.array([a, b]), mark.d / 2).flat(points)
            on |= (np.abs(off) < ROUND_MM) & (flat[:, 0] > 0) & (flat[:, 0] < np.linalg.norm(b - a))
    return on


def cut(case: SceneCase) -> tuple[CleanScan, Datum, Metal, Array]:
    """A scan with balls (k, 4: centre, radius) cut out, cleaned, in its true datum, and the metal."""
    world, simulated = World(case), make(case)
    rng = np.random.default_rng([case.seed, case.scan_seed, 60])
    scan, metal = simulated.scan, Metal(world, rng)
    seen = cKDTree(scan.points)
    balls = np.column_stack([scan.points[rng.integers(len(scan.points), size=BALLS)], rng.uniform(*RADIUS_MM, BALLS)])
    counted = [b for b in balls if metal.within(seen, b[:3], b[3]) >= DISC_MM2]
    gone = np.zeros(len(scan.points), bool)
    for ball in balls:
        gone[seen.query_ball_point(ball[:3], ball[3])] = True
    normals = np.zeros_like(scan.points) if scan.normals is None else scan.normals
    triangles = scan.triangles
    if triangles is not None:
        triangles = (np.cumsum(~gone) - 1)[triangles[~gone[triangles].any(axis=1)]]
    left = as_read(case, scan.points[~gone], normals[~gone], triangles)
    datum = Datum(np.linalg.inv(world.pose), np.zeros((6, 6)), "iso8855", "", "given", (), {}, {}, "mm", 1.0)
    return clean(left, Settings().clean), datum, metal, np.reshape(counted, (-1, 4))


def tally(told: tuple[Empty, ...], metal: Metal, balls: Array) -> list[int]:
    """Balls that count, told of, told as missed; places told, told as missed, wrongly so, and wrongly as a question."""
    hit = [[bool((np.linalg.norm(g.cells - b[:3], axis=1) < b[3]).any()) for b in balls for g in e.gaps] for e in told]
    by = np.array([np.reshape(h, (len(balls), -1)).any(axis=1) for h in hit]).reshape(len(told), len(balls))
    sure = np.array([e.missed for e in told], bool)
    wrong = np.array([metal.share(e) < 0.8 for e in told], bool)
    return [len(balls), by.any(axis=0).sum(), by[sure].any(axis=0).sum(), len(told), sure.sum(),
            (wrong & sure).sum(), (wrong & ~sure).sum()]  # fmt: skip


HEAD = ("patches", "told", "as missed", "places", "as missed", "wrong", "open, asked")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sort", choices=SORTS, help="chassis of this sort only")
    parser.add_argument("--scanner", choices=("sample", "fuse"), default="sample")
    asked = parser.parse_args()
    print(f"{'':28}" + "".join(f"{h:>13}" for h in HEAD))
    total = {"look": np.zeros(7, int), "report": np.zeros(7, int)}
    for k in range(asked.scenes):
        sort = asked.sort or SORTS[k % 4]
        case = SceneCase(sort, asked.seed + k, small=True, spacing_mm=2.0, patches=0, scanner=asked.scanner)
        scan, datum, metal, balls = cut(case)
        features = fit(scan, Settings().fit)
        for page, told in (
            ("look", empty_by_edges(scan, skins_of(scan))),
            ("report", empty_by_mirror(scan, features, datum)),
        ):
            row = tally(told, metal, balls)
            total[page] += row
            print(f"{case.chassis:>10} {case.seed:>6} {page:>10}" + "".join(f"{v:>13}" for v in row), flush=True)
    for page, row in total.items():
        print(f"{'all':>17} {page:>10}" + "".join(f"{v:>13}" for v in row))


if __name__ == "__main__":
    main()
