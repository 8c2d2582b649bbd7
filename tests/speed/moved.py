"""How well a comparison tells what moved, on simulated frames: `python tests/speed/moved.py --scenes 4 --seed 20`.

Each scene is one chassis scanned twice: from elsewhere, with other noise, other clutter, and a weld's pull of 4 mm on
one rail in the second. The truth is how the metal moved, without what the scanners drift; of a face, whose outline is
only what was seen of it, the move of its plane. The drift is set as what it is, and the supports as known. Printed:
what the pose misses, the points flagged, and how often k = 2 holds a component of a shift.
Seeds 1-99 are for developing, 1000 and up for final figures.
"""

import argparse

import numpy as np

from barerail.asked import CompareSettings
from barerail.geometry.frames import invert, transform
from barerail.records import Datum
from barerail.scene import SceneCase, make
from barerail.scene.case import SCANNERS
from barerail.settings import FitSettings, Settings
from barerail.stages.clean import clean
from barerail.stages.compare import Earlier, compare, laid, later_car
from barerail.stages.fit import fit
from barerail.stages.points import points

SORTS = ("perimeter", "ladder")
NEAR_MM = 6.0
CLEAR_MM = 1.0
"""Points bent further than this must be flagged; those bent less than STILL_MM must not."""
STILL_MM = 0.1


def scanned(case: SceneCase, settings: Settings):
    simulated = make(case)
    cleaned = clean(simulated.scan, settings.clean)
    return simulated.truth, cleaned, fit(cleaned, settings.fit)


def scene(seed: int, drift: float, scanner: str, settings: Settings) -> dict[str, float]:
    sort = SORTS[seed % len(SORTS)]
    base = {"seed": seed, "small": True, "spacing_mm": 2.2, "drift_mm": drift, "scanner": scanner, "lean": 1.0}
    first = scanned(SceneCase(sort, scan_seed=1, **base), settings)
    second = scanned(SceneCase(sort, scan_seed=2, pull_mm=4.0, sigma_mm=0.15, **base), settings)
    poses = [np.array(s[0]["scan_from_car"]) for s in (first, second)]
    cars = [Datum(invert(p), 1e-8 * np.eye(6), "iso8855", "", "given", (), {}, {}, "mm", 1.0) for p in poses]
    before = Earlier(first[1], first[2], cars[0], points(first[2], cars[0], (), settings.points))
    unmoved = laid(before, second[1], cars[1], CompareSettings())
    found = points(second[2], later_car(cars[0], unmoved), (), settings.points)
    moves = compare(before, second[1], second[2], found, unmoved, CompareSettings())
    seen = _places(first[0], poses[0], "p")
    places = [_places(s[0], pose, "p_true") for s, pose in zip((first, second), poses)]
    return _judged(moves, seen, *places, poses)


def _places(truth, pose, key):
    return np.array([transform(invert(pose), f[key]) for f in truth["features"] if key in f])


def _judged(moves, seen, before, after, poses) -> dict[str, float]:
    off = moves.unmoved.pose @ poses[1] @ invert(poses[0])
    out = {"turn_deg": float(np.degrees(np.linalg.norm(off[:3, :3] - np.eye(3)) / np.sqrt(2)))}
    middle = moves.unmoved.about
    out |= {"off_mm": float(np.linalg.norm(transform(off, middle) - middle)), "share": moves.unmoved.share}
    counts = dict.fromkeys(("bent", "bent flagged", "still", "still flagged"), 0.0)
    z = []
    for s in moves.shifts:
        i = int(np.argmin(np.linalg.norm(seen - s.position, axis=1)))
        if np.linalg.norm(seen[i] - s.position) > NEAR_MM or not np.isfinite(s.size_mm) or s.kind == "tube":
            continue
        true = after[i] - before[i]
        way = np.eye(3)
        if s.kind == "face":
            way = np.linalg.eigh(s.cov)[1][:, -1:].T
            true = way[0] * (way[0] @ true)
        size, flagged = np.linalg.norm(true), s.found == "moved"
        z += [float(w @ (s.shift - true) / np.sqrt(w @ s.cov @ w)) for w in way]
        counts["bent"] += size > CLEAR_MM
        counts["bent flagged"] += size > CLEAR_MM and flagged
        counts["still"] += size < STILL_MM
        counts["still flagged"] += size < STILL_MM and flagged
    shares = {"inside": float(np.mean(np.abs(z) < 2)), "rms": float(np.sqrt(np.mean(np.square(z))))}
    return out | counts | shares | {"components": float(len(z))}


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--scenes", type=int, default=4)
    ask.add_argument("--seed", type=int, default=20)
    ask.add_argument("--drift", type=float, default=0.0, help="what the simulated scanner drifts, mm per axis, 1 sd")
    ask.add_argument("--scanner", default="sample", choices=SCANNERS, help="a cloud, or a mesh fused from frames")
    args = ask.parse_args()
    rows = []
    for seed in range(args.seed, args.seed + args.scenes):
        row = scene(seed, args.drift, args.scanner, Settings(fit=FitSettings(drift_mm=args.drift, drift_mm_per_m=0.0)))
        rows.append(row)
        print(seed, ", ".join(f"{key} {value:.4g}" for key, value in row.items()), flush=True)
    total = {key: sum(r[key] for r in rows) for key in ("bent", "bent flagged", "still", "still flagged")}
    worst = {key: max(r[key] for r in rows) for key in ("turn_deg", "off_mm")}
    print("all", total, "worst", {key: round(value, 4) for key, value in worst.items()})
    count = np.array([r["components"] for r in rows])
    inside = float(np.average([r["inside"] for r in rows], weights=count))
    rms = float(np.sqrt(np.average([r["rms"] ** 2 for r in rows], weights=count)))
    print(f"{count.sum():.0f} components: {inside:.3f} inside k = 2, rms {rms:.2f}")


if __name__ == "__main__":
    main()
