"""Do parts drawn from measured points go on, and do pivot lines point right? On simulated chassis whose truth is known.

    python tests/speed/plates.py --scenes 8 --seed 1000
    python tests/speed/plates.py --scenes 4 --seed 1000 --fuse

Plates of four M8 holes of 9.0 mm (ISO 273 medium) over holes of one face or of faces in one plane, up to 600 mm apart,
drilled where the points were measured and tried where the holes truly are: into 9.0 mm holes and into M8 threads.
Pivot lines: through two brackets 200 to 450 mm apart.
"""

import argparse
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from matching import matched

from barerail.asked import BoltOnSettings
from barerail.geometry.frames import direction, invert, transform
from barerail.geometry.pinned import pinned
from barerail.geometry.plane import fit_plane
from barerail.records import Array, MountPoint, MountPoints, PatternHole
from barerail.run import Result, process
from barerail.scene import SceneCase, make
from barerail.settings import Settings
from barerail.stages.bolt_on import bolt_on

BOLT, HOLE, REACH_MM = 8.0, 9.0, 600.0
PART_U_MM = 0.2
ROOMS = {"9 mm holes": HOLE - BOLT, "threads": (HOLE - BOLT) / 2}


def case_of(seed: int, fuse: bool) -> SceneCase:
    sort = ("ladder", "perimeter", "channel", "tube")[seed % 4]
    return SceneCase(sort, seed=seed, scan_seed=seed, small=True, scanner="fuse" if fuse else "sample",
                     spacing_mm=1.5, sigma_mm=0.1, voxel_mm=2.4)  # fmt: skip


def measured(seed: int, fuse: bool) -> tuple[Result, list[tuple[MountPoint, Mapping[str, Any]]], Array]:
    """The result of a scene, each of its points with its true feature, and the true car_from_scan."""
    made = make(case_of(seed, fuse))
    pose = np.array(made.truth["scan_from_car"])
    ahead, over = (tuple(transform(pose, np.array(p))) for p in ((4000.0, 0, 0), (0.0, 0, 3000)))
    settings = Settings.model_validate({"datum": {"front": ahead, "above": over}, "read": {"unit": "mm"}})
    result = process(made.scan, settings)
    truths = made.truth["features"]
    of = {i: truths[j] for i, j in matched(result.features.found, truths)}
    return result, [(p, of[p.feature]) for p in result.points.points if p.feature in of], invert(pose)


def plates(
    pairs: list[tuple[MountPoint, Mapping[str, Any]]], rng: np.random.Generator, count: int
) -> Iterator[list[int]]:
    """Rows of four holes that face one way, lie in one plane within 3 mm, and not on one line."""
    holes = [i for i, (p, _) in enumerate(pairs) if p.kind == "hole"]
    at, axis = (np.array([getattr(pairs[i][0], key) for i in holes]) for key in ("position", "axis"))
    for _ in range(60 * count):
        first = int(rng.integers(len(holes)))
        d = at - at[first]
        level = (axis @ axis[first] > 0.999) & (np.abs(d @ axis[first]) < 3)
        near = np.flatnonzero(level & (np.linalg.norm(d, axis=1) < REACH_MM) & (np.arange(len(holes)) != first))
        if len(near) >= 3:
            rows = [first, *rng.choice(near, 3, replace=False)]
            flat = at[rows] - at[rows].mean(axis=0)
            if np.linalg.svd(flat, compute_uv=False)[1] > 15:
                yield [holes[r] for r in rows]
                count -= 1
                if not count:
                    return


def tried(rows: list[int], pairs: Any, result: Result, rng: np.random.Generator) -> dict[str, tuple[float, bool]]:
    """The share promised and whether it goes on in truth, into clearance holes and into threads."""
    chosen = [pairs[r][0] for r in rows]
    at = np.array([p.position for p in chosen])
    plane = fit_plane(at)
    scan_from_car = invert(result.datum.car_from_scan)
    flat = (at - plane.centre) @ plane.axes[:2].T
    true = np.array([pairs[r][1]["p_true"] for r in rows])
    off = (transform(invert(scan_from_car), true) - at) @ plane.axes[:2].T
    cut = PART_U_MM / 2 * rng.normal(size=off.shape)
    out = {}
    for name, room in ROOMS.items():
        goes = bool(pinned((off - cut)[None], flat, np.full((1, 4), room)).used[0] <= 1)
        clear = name != "threads"
        chassis = [_as_m8(p) for p in chosen]
        pattern = [PatternHole(p.name, np.append(q, 0.0), HOLE, p.name) for p, q in zip(chosen, flat)]
        asked = BoltOnSettings(tapped=not clear, draws=1000, part_U_mm=PART_U_MM)
        told = bolt_on(pattern, BOLT, MountPoints(tuple(chassis), ()), result.datum, result.features.noise, asked)
        out[name] = (told.goes_on / told.draws, goes)
    return out


def _as_m8(p: MountPoint) -> MountPoint:
    from dataclasses import replace

    return replace(p, diameter=HOLE, u_diameter=0.0)


def pivots(pairs: Any, result: Result, car: Array) -> Iterator[tuple[float, float, float]]:
    """Length, and error of direction in degrees of lines through two brackets: in the scan, and in car axes."""
    found = [(p, t) for p, t in pairs if p.kind == "bolt-axis"]
    back = invert(result.datum.car_from_scan)
    for i, (p, t) in enumerate(found):
        for q, s in found[:i]:
            way, true = p.position - q.position, np.array(t["p_true"]) - np.array(s["p_true"])
            length = float(np.linalg.norm(way))
            if 200 < length < 450:
                yield length, _angle(direction(back, way), true), _angle(way, direction(car, true))


def _angle(a: Array, b: Array) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), abs(float(a @ b)))))


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--scenes", type=int, default=8)
    options.add_argument("--seed", type=int, default=1000)
    options.add_argument("--plates", type=int, default=300)
    options.add_argument("--fuse", action="store_true")
    asked = options.parse_args()
    told: dict[str, list[tuple[float, bool]]] = {name: [] for name in ROOMS}
    lines: list[tuple[float, float, float]] = []
    for seed in range(asked.seed, asked.seed + asked.scenes):
        result, pairs, car = measured(seed, asked.fuse)
        rng = np.random.default_rng([seed, 7])
        for rows in plates(pairs, rng, -(-asked.plates // asked.scenes)):
            for name, one in tried(rows, pairs, result, rng).items():
                told[name].append(one)
        lines += pivots(pairs, result, car)
        print(
            f"seed {seed}: {len(pairs)} points with a truth, {len(told['threads'])} plates, {len(lines)} lines",
            flush=True,
        )
    for name, each in told.items():
        promised, goes = np.array(each, float).T
        print(f"M8 plates into {name}: {len(each)} tried, go on {goes.mean():.3f}, promised {promised.mean():.3f}")
    length, scan, axes = np.array(lines).T
    for name, error in (("in the scan", scan), ("in car axes", axes)):
        at_300 = error * length / 300
        print(f"pivot lines {name}: {len(length)}, direction off {np.median(error):.3f} deg median, "
              f"{np.quantile(error, 0.95):.3f} 95 %, as over 300 mm {np.quantile(at_300, 0.95):.3f}, "
              f"within 0.1 deg {np.mean(error <= 0.1):.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
