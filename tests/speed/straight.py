"""How well frame modes come out, and whether U holds: `python tests/speed/straight.py --frames 100 --seed 20`.

Each frame is a kicked-up ladder whose stations and holes are moved by a random twist up to 1 degree and diamond,
sidesway, sag and mash up to 5 mm, all at once, seen with station noise and with or without a scanner's slow drift, a
smooth vector field of 0.08 mm per axis, set as what it is. Printed: mean error against U, share inside k = 2, rms of
error over u.
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
from barerail.scene.faults import Drift
from barerail.settings import StraightnessSettings
from barerail.stages.straightness import straightness

LOW, HIGH = -900.0, 2100.0
DRIFT_MM, STATION_MM, HOLE_MM, BUILD_MM = 0.08, 0.03, 0.03, 0.2
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
    exact = features_of(KICKED, bent(modes), pose)
    truth = straightness(replace(exact, noise=NoiseModel(0.1, 0.0, 5.0, 0.0, 0.0)), car, KNOWN)
    reach = (result.to_x_mm - result.from_x_mm) / (HIGH - LOW)
    expected = {"twist_deg": modes[0] * reach, "diamond_mm": modes[1], "sidesway_mm": modes[2] * reach**2,
                "mash_mm": modes[4] * reach}  # fmt: skip
    # The kicked-up ends lie off the twist's axis: what the true shape itself reads is the truth of the sidesway.
    expected["sidesway_mm"] = truth.measures["sidesway_mm"].value
    expected["diamond_mm"] = truth.measures["diamond_mm"].value
    return {n: (result.measures[n].value - v, result.measures[n].U) for n, v in expected.items()}


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
    args = ask.parse_args()
    for drift in (0.0, DRIFT_MM):
        rows = [frame(seed, drift) for seed in range(args.seed, args.seed + args.frames)]
        print(f"drift {drift} mm")
        for name in rows[0]:
            error, u = np.array([r[name] for r in rows]).T
            inside, rms = np.mean(np.abs(error) <= u), np.sqrt(np.mean((2 * error / u) ** 2))
            print(
                f"  {name:<12} mean error {error.mean():+.4f}, U/4 {u.mean() / 4:.4f}, "
                f"largest {np.abs(error).max():.3f}, inside {100 * inside:.0f} %, rms {rms:.2f}"
            )


if __name__ == "__main__":
    main()
