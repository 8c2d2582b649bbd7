"""How well frame modes come out, and whether U holds.

    python tests/speed/straight.py --frames 100 --seed 20
    python tests/speed/straight.py --frames 12 --seed 20 --scans

Each frame is a kicked-up ladder whose stations and holes are moved by a random twist up to 1 degree and diamond,
sidesway, sag and mash up to 5 mm, all at once, seen with station noise and with or without a scanner's slow drift, a
smooth vector field of 0.08 mm per axis, set as what it is. Printed: mean error against U, share inside k = 2, rms of
error over u.

With --scans each frame is a small chassis of 3 mm spacing, scanned, cleaned and fitted, no stations by hand. True
twist, sidesway and sag are then what the same measures read of the true centrelines, each station moved square on to
them; diamond and mash count at the true gauge width.
"""

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "stages"))

from datum_case import GAUGE, KICKED, features_of, some_pose

from barerail.geometry.frames import invert
from barerail.records import Datum, NoiseModel
from barerail.scene import SceneCase, make
from barerail.scene.chassis import design
from barerail.scene.faults import Drift
from barerail.settings import FitSettings, Settings, StraightnessSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit
from barerail.stages.straightness import straightness
from barerail.stages.straightness.modes import Stretch, centreline, unrolled
from barerail.stages.straightness.stations import pairs_at, sides_of

LOW, HIGH = -900.0, 2100.0
DRIFT_MM, STATION_MM, HOLE_MM, BUILD_MM = 0.08, 0.03, 0.03, 0.2
SORTS = ("perimeter", "ladder", "channel")
KNOWN = StraightnessSettings(supports_known=True)


def bent(modes):
    twist, diamond, sway, sag, mash = modes

    def bend(p):
        s = (2 * p[:, 0] - LOW - HIGH) / (HIGH - LOW)
        side = p[:, 1] / GAUGE
        q = p + np.column_stack([diamond * side + mash * s / 2 * side, sway * s**2, sag * s**2])
        turn = np.radians(twist) / 2 * s
        y, z = q[:, 1].copy(), q[:, 2] - 50.0
        turned = [np.cos(turn) * y - np.sin(turn) * z, np.sin(turn) * y + np.cos(turn) * z + 50.0]
        return np.column_stack([q[:, 0], *turned])

    return bend


def frame(seed: int, drift: float):
    """Errors and U by measure of one frame."""
    rng = np.random.default_rng([seed, 5])
    modes = rng.uniform(-1, 1, 5) * [1.0, 5.0, 5.0, 5.0, 5.0]
    pose = some_pose(seed)
    slow = Drift(drift, rng) if drift else lambda p: p
    features = features_of(KICKED, lambda p: slow(bent(modes)(p)), pose)
    features = replace(features, noise=NoiseModel(0.1, 0.05, 25.0, drift, 0.0))
    car = Datum(invert(pose), 1e-8 * np.eye(6), "iso8855", "", "given", (), {}, {}, "mm", 1.0)
    result = straightness(_noisy(features, rng), car, KNOWN)
    reach = (result.to_x_mm - result.from_x_mm) / (HIGH - LOW)
    middle = (result.from_x_mm + result.to_x_mm - LOW - HIGH) / (HIGH - LOW)
    # Diamond counts from the mid-line of the stretch used, which a bow yaws, and in its middle, where mash may be one.
    diamond = modes[1] + modes[2] * 2 * middle * 2 / (HIGH - LOW) * GAUGE + modes[4] * middle / 2
    expected = {"twist_deg": modes[0] * reach, "diamond_mm": diamond, "sidesway_mm": modes[2] * reach**2,
                "mash_mm": modes[4] * reach}  # fmt: skip
    return {n: (result.measures[n].value - v, result.measures[n].U) for n, v in expected.items()}


def scanned(seed: int, drift: float):
    """Errors and U by measure of one scanned frame; None where its rails weren't found."""
    rng = np.random.default_rng([seed, 5])
    twist, diamond, sway, sag, mash = (rng.uniform(-1, 1, 5) * [1.0, 5.0, 5.0, 5.0, 5.0]).tolist()
    case = SceneCase(SORTS[seed % 3], seed, seed, small=True, spacing_mm=3.0, drift_mm=drift, twist_deg=twist,
                     diamond_mm=diamond, sway_mm=sway, sag_mm=sag, mash_mm=mash)  # fmt: skip
    made, settings = make(case), FitSettings(drift_mm=drift, drift_mm_per_m=0.0)
    features = fit(clean(made.scan, Settings().clean), settings)
    pose = np.array(made.truth["scan_from_car"])
    car = Datum(invert(pose), 1e-8 * np.eye(6), "iso8855", "", "given", (), {}, {}, "mm", 1.0)
    result = straightness(features, car, KNOWN)
    if result.measures["twist_deg"].value is None:
        return None
    x, (low, high) = np.array([result.from_x_mm, result.to_x_mm]), made.truth["x_range"]
    paths = [np.array(f["path_true"]) for f in made.truth["features"] if f["kind"] == "rail"]
    true = replace(features, rails=tuple(_on_path(r, paths) for r in features.rails))
    truth = straightness(true, car, KNOWN)
    swing = float(centreline(unrolled(Stretch.of(pairs_at(*sides_of(true.rails, car), true.noise)))).value[1])
    # A bowed frame seen in part: its mid-line there is not the car's.
    yawed = 2 * swing / np.ptp(x) * truth.gauge_width_mm
    expected = {n: truth.measures[n].value for n in ("twist_deg", "sidesway_mm", "sag_left_less_right_mm")}
    wide = truth.gauge_width_mm / (2 * design(case).half_gauge)
    expected["mash_mm"] = wide * mash * np.ptp(x) / (high - low)
    expected["diamond_mm"] = wide * (diamond + mash * _middle(x, low, high)) + yawed
    known = {n: result.measures[n] for n in expected}
    return {n: (m.value - expected[n], m.U) if m.value is not None else (np.nan, np.nan) for n, m in known.items()}


def _on_path(rail, paths):
    """The rail with each station's centre moved square to it on to the true centreline."""
    middle = rail.stations[len(rail.stations) // 2].centre
    path = min(paths, key=lambda p: np.linalg.norm(p - middle, axis=1).min())
    a, step = path[:-1], np.diff(path, axis=0)

    def foot(p):
        share = np.clip(np.einsum("ij,ij->i", p - a, step) / np.einsum("ij,ij->i", step, step), 0, 1)
        at = a + share[:, None] * step
        return at[np.argmin(np.linalg.norm(at - p, axis=1))]

    return replace(rail, stations=tuple(replace(s, centre=foot(s.centre)) for s in rail.stations))


def _middle(x, low, high):
    """Half of the share of the rails at which the stations' middle lies: there mash reads as a diamond."""
    return (x.min() + x.max() - low - high) / (high - low) / 2


def _noisy(features, rng):
    rails = []
    for rail in features.rails:
        off = STATION_MM * rng.normal(size=(len(rail.stations), 2))
        stations = tuple(replace(s, centre=s.centre + d @ s.axes[1:], cov=_cov(s)) for s, d in zip(rail.stations, off))
        rails.append(replace(rail, stations=stations))
    found = [
        replace(f, point=f.point + np.hypot(HOLE_MM, BUILD_MM) * rng.normal(size=3), cov=HOLE_MM**2 * np.eye(3))
        for f in features.found
    ]
    return replace(features, rails=tuple(rails), found=tuple(found))


def _cov(station):
    cov = station.cov.copy()
    cov[0, 0] = cov[1, 1] = STATION_MM**2
    return cov


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--frames", type=int, default=100)
    ask.add_argument("--seed", type=int, default=20)
    ask.add_argument("--scans", action="store_true", help="whole scans; with drift only")
    args = ask.parse_args()
    for drift in (DRIFT_MM,) if args.scans else (0.0, DRIFT_MM):
        made = [(scanned if args.scans else frame)(seed, drift) for seed in range(args.seed, args.seed + args.frames)]
        rows = [r for r in made if r is not None]
        print(f"drift {drift} mm, {len(rows)} of {len(made)} frames with rails")
        for name in rows[0]:
            error, u = np.array([r[name] for r in rows if np.isfinite(r[name][0])]).T
            inside, rms = np.mean(np.abs(error) <= u), np.sqrt(np.mean((2 * error / u) ** 2))
            print(
                f"  {name:<22} {len(error)}: mean error {error.mean():+.4f}, U/4 {u.mean() / 4:.4f}, "
                f"largest {np.abs(error).max():.3f}, inside {100 * inside:.0f} %, rms {rms:.2f}"
            )


if __name__ == "__main__":
    main()
