"""From a case to a scan with its truth, and both to disk."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barerail.records import Array, Scan, Source
from barerail.scene import truth
from barerail.scene.bend import Bend
from barerail.scene.case import SceneCase, Simulated
from barerail.scene.chassis import design
from barerail.scene.faults import Drift
from barerail.scene.fuse import fuse
from barerail.scene.parts import MIRROR
from barerail.scene.ply import encode
from barerail.scene.scanner import Sampled, Surface, noisy, sample
from barerail.scene.surroundings import clutter, floor, stands

FLOOR_SHARE = 0.1
LONGEST_MM = 60.0
JUDGE_MM = 6.0
NORMAL_NOISE = 0.03


class World:
    """A case's chassis, how it is bent, how the scanner drifts, and where its axes lie."""

    def __init__(self, case: SceneCase) -> None:
        self.case = case
        self.chassis = design(case)
        self.bend = Bend(case, self.chassis, np.random.default_rng([case.seed, 1]))
        self.drift = Drift(case.drift_mm, self.rng(2))
        self.pose = truth.pose(self.rng(3), case.turned)

    def rng(self, what: int) -> np.random.Generator:
        """A stream of its own for each fault, so that changing one leaves the others as they were."""
        return np.random.default_rng([self.case.seed, self.case.scan_seed, what])

    def true(self, points: Array) -> Array:
        return truth.shift(self.pose, self.bend(points))

    def seen(self, points: Array) -> Array:
        return truth.shift(self.pose, self.drift(self.bend(points)))

    def surfaces(self, longest: float = 0.0) -> list[Surface]:
        """The chassis first, then one-sided parts, clutter, stands and floor; `longest` mm: edges are split."""
        solids = [*self.chassis.odd, *clutter(self.rng(4), self.chassis, self.case.clutter)]
        if self.case.floor:
            solids += stands(self.chassis)
        out = [Surface.of(self.chassis.body, longest, symmetric=True), *(Surface.of(s, longest) for s in solids)]
        return [*out, Surface(*floor(self.rng(5), self.chassis), FLOOR_SHARE)] if self.case.floor else out


def make(case: SceneCase) -> Simulated:
    """Simulate the scan of a case. Same case, same bytes."""
    world = World(case)
    return _meshed(world) if case.scanner == "fuse" else _sampled(world)


def _sampled(world: World) -> Simulated:
    case, turn = world.case, world.pose[:3, :3]
    cloud = sample(case, world.surfaces(), world.rng(6))
    points = noisy(case, cloud, world.seen, turn, world.rng(7))
    normals = cloud.normals @ turn.T + NORMAL_NOISE * world.rng(8).normal(size=points.shape)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    return Simulated(as_read(case, points, normals, None), _truth(world, cloud, {"points": len(points)}))


def _meshed(world: World) -> Simulated:
    case, surfaces = world.case, world.surfaces(LONGEST_MM)
    cloud = sample(replace(case, spacing_mm=JUDGE_MM, patches=0), surfaces, world.rng(6))
    near = surfaces if case.window_mm is None else [s.within(case.window_mm) for s in surfaces]
    mesh = fuse(case, near, world.seen, world.rng(7))
    size = {"vertices": len(mesh.vertices), "triangles": len(mesh.triangles), "frames": case.frames}
    return Simulated(as_read(case, mesh.vertices, mesh.normals, mesh.triangles), _truth(world, cloud, size))


def as_read(case: SceneCase, points: Array, normals: Array, triangles: NDArray[np.integer] | None) -> Scan:
    """The scan as a reader would give it from the file: float32 in the file's unit, then mm."""
    k = case.mm_per_unit
    points = (points / k).astype(np.float32).astype(float) * k
    n32 = normals.astype(np.float32) if case.normals else None
    t32 = None if triangles is None else triangles.astype(np.int32)
    bare = Scan(points, n32, t32, case.unit, k, False, ())
    data = encode(bare)
    source = Source("scan.ply", hashlib.sha256(data).hexdigest(), len(data), (0, len(points)), np.eye(4))
    return Scan(points, n32, t32, case.unit, k, False, (source,))


def _truth(world: World, cloud: Sampled, size: dict[str, int]) -> dict[str, Any]:
    case, chassis = world.case, world.chassis
    bumped = world.bend.bump(cloud.points) + world.bend.bump(cloud.points * MIRROR) > 0
    at = truth.rows(cloud.symmetric & ~(bumped & (case.asymmetry_mm != 0)), 20_000, world.rng(9))
    start = np.append(world.pose[:3, 1], world.pose[:3, 1] @ world.pose[:3, 3])
    return {
        "case": truth.case_words(case, chassis.twist_z),
        "size": size,
        "scan_from_car": world.pose.tolist(),
        "features": truth.features(truth.inside(chassis.marks, case.window_mm), world.true, world.seen),
        "nodes": truth.nodes(truth.inside(chassis.marks, case.window_mm), world.true, world.seen),
        "mirror_seen": truth.mirror_seen(cloud.points[at], world.seen, start),
        "x_range": truth.stretch(chassis.x_range, case.window_mm),
        "unit_scale": 1 / case.mm_per_unit,
    }


def write(simulated: Simulated, folder: Path) -> None:
    """scan.ply and truth.json into a folder, made where it is missing."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scan.ply").write_bytes(encode(simulated.scan))
    (folder / "truth.json").write_text(json.dumps(simulated.truth, indent=1) + "\n", encoding="utf-8")
