"""Is the least gap of a part within its U of the truth? Boxes and rods beside simulated chassis whose solids are known.

    python tests/speed/room.py --scenes 8 --parts 25 --seed 1100

Edges are sharp and without welds, as the solids are. The part is placed in the true car axes, so that U is of scan,
drift and edges alone; wanted inside: 0.90 to 0.99. The scanner's drift is given as the scene has it; beside it what U
would say with the drift that the settings assume.
"""

import argparse

import numpy as np
from manifold3d import Manifold

from barerail.asked import RoomSettings
from barerail.geometry.frames import invert
from barerail.geometry.solid import Solid
from barerail.records import Array, Datum, NoiseModel, Shape
from barerail.scene import SceneCase, make
from barerail.scene.scanner import Surface
from barerail.scene.simulate import World
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.room import room


def case_of(seed: int, scanner: str) -> SceneCase:
    draw = np.random.default_rng(seed)
    sort = ("ladder", "perimeter", "channel", "tube")[seed % 4]
    spacing, sigma = float(draw.uniform(1.2, 2.4)), float(draw.uniform(0.05, 0.15))
    return SceneCase(sort, seed=seed, scan_seed=seed, small=True, scanner=scanner, patches=0, clutter=0, weld_mm=0.0,
                     edge_mm=0.0, spacing_mm=spacing, sigma_mm=sigma)  # fmt: skip


def drawn(rng: np.random.Generator, points: Array, truth: Solid) -> tuple[Shape, Array]:
    """A box or a rod turned at random, 2 to 25 mm from the chassis in truth, and where it stands."""
    while True:
        size = rng.uniform(20, 160, 3)
        solid = (
            Manifold.cube(tuple(size), True)
            if rng.random() < 0.5
            else Manifold.cylinder(size[0], size[1] / 6, -1, 96, True)
        )
        surface = Surface.of(solid.rotate(tuple(rng.uniform(0, 360, 3))), 4.0)
        at = points[rng.integers(len(points))] + rng.normal(size=3) * 60
        gap = truth.nearest(surface.vertices + at)[1].min()
        if 2 < gap < 25:
            return Shape("part", surface.vertices, surface.triangles, 0.0), at


def true_gap(part: Shape, at: Array, truth: Solid, chassis: Array) -> float:
    """Least of both ways: corners of the finely split part to the chassis, and the other way round."""
    placed = Solid(part.vertices + at, part.triangles)
    near = chassis[placed.box_distance(chassis) < 30]
    return float(min(truth.nearest(part.vertices + at)[1].min(), placed.nearest(near)[1].min()))


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--scenes", type=int, default=8)
    options.add_argument("--parts", type=int, default=25)
    options.add_argument("--seed", type=int, default=1100)
    options.add_argument("--fuse", action="store_true")
    options.add_argument("--tell", action="store_true", help="each part outside U")
    asked = options.parse_args()
    off: list[float] = []
    us: list[float] = []
    wide: list[float] = []
    assumed = Settings().fit
    for seed in range(asked.seed, asked.seed + asked.scenes):
        case = case_of(seed, "fuse" if asked.fuse else "sample")
        scan = clean(make(case).scan, Settings().clean)
        world, rng = World(case), np.random.default_rng([seed, 99])
        surfaces = [Surface.of(s, 3.0) for s in (world.chassis.body, *world.chassis.odd)]
        steps = np.cumsum([0, *(len(s.vertices) for s in surfaces)])
        chassis = np.vstack([s.vertices for s in surfaces])
        truth = Solid(chassis, np.vstack([s.triangles + k for s, k in zip(surfaces, steps)]))
        car = invert(world.pose)
        datum = Datum(car, np.zeros((6, 6)), "iso8855", "", "given", (), {}, {}, "mm", 1.0)
        white = max(scan.noise_mm**2 - 0.05**2, 0.0) ** 0.5
        noise = NoiseModel(white, 0.05, 25.0, case.drift_mm, 0.0)
        seen = scan.thin @ car[:3, :3].T + car[:3, 3]
        for _ in range(asked.parts):
            part, at = drawn(rng, seen, truth)
            found = room(scan, datum, noise, part, RoomSettings(at=tuple(at))).spots[0]
            off.append(found.gap_mm - true_gap(part, at, truth, chassis))
            us.append(found.U_mm)
            drift2 = assumed.drift_mm**2 + (assumed.drift_mm_per_m / 1000) ** 2 * float(found.on_scan @ found.on_scan)
            wide.append(float(np.sqrt(found.U_mm**2 + 4 * (drift2 - case.drift_mm**2))))
            if asked.tell and abs(off[-1]) > us[-1]:
                placed = Solid(part.vertices + at, part.triangles)
                raw = placed.nearest(seen)[1].min() - (found.gap_mm - off[-1])
                print(f"{seed} {off[-1]:+.2f} U {us[-1]:.2f}, thinned points alone {raw:+.2f}", found.on_scan.round(1))
    e, u = np.array(off), np.array(us)
    worst = np.round(e[np.argsort(-np.abs(e))[:6]], 2)
    print(f"{len(e)} parts: inside U {np.mean(np.abs(e) <= u):.3f}, error median {np.median(e):+.3f} mm")
    print(f"with the drift that the settings assume: inside U {np.mean(np.abs(e) <= wide):.3f}")
    print(f"95 % {np.quantile(np.abs(e), 0.95):.3f} mm, U median {np.median(u):.2f} mm, worst {worst}")


if __name__ == "__main__":
    main()
