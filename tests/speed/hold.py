"""How far the mirror plane moves where a scan holds more or less than the frame: a floor and stands added, twice the
clutter on one side, either half of the car cut away, every bracket on one side removed.

    python tests/speed/hold.py --seed 1000 --scans 2

Each is one frame, scanned anew; angle and place are against the best mirror of what that scan shows, at the ends of
what it shows. Wanted: 0.01 degrees and 0.1 mm. Seeds from 1000 on are for final figures and are never developed on.
"""

import argparse
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from repeat import datum_of, judged
from scipy.spatial import cKDTree

from barerail.records import Scan
from barerail.scene import SceneCase, make
from barerail.scene.case import Simulated

BRACKETS = ("clevis", "sleeve", "stud")
REACH = 70.0
"""What lies this close, mm, to a bracket's point goes with it."""


def frames(seed: int) -> Iterator[tuple[str, Simulated]]:
    sort = ("ladder", "perimeter", "channel", "tube")[seed % 4]
    base = SceneCase(chassis=sort, seed=seed, scan_seed=seed, small=True, spacing_mm=2.4, drift_mm=0.05, clutter=8)
    plain = make(base)
    low, high = plain.truth["x_range"]
    yield "as it is", plain
    yield "floor and stands added", make(replace(base, floor=True))
    yield "clutter doubled", make(replace(base, clutter=16))
    yield "rear half alone", make(replace(base, window_mm=(low, (low + high) / 2)))
    yield "front half alone", make(replace(base, window_mm=((low + high) / 2, high)))
    yield "brackets of one side removed", bare(plain, "LR"[seed % 2])


def bare(simulated: Simulated, side: str) -> Simulated:
    """Without what stands about the brackets' points of one side."""
    marks = [f["p"] for f in simulated.truth["features"] if f["kind"] in BRACKETS and f["name"].endswith(side)]
    scan = simulated.scan
    near = cKDTree(np.array(marks)).query(scan.points, distance_upper_bound=REACH)[0]
    return replace(simulated, scan=_part(scan, ~np.isfinite(near)))


def _part(scan: Scan, kept: np.ndarray) -> Scan:
    source = replace(scan.sources[0], rows=(0, int(kept.sum())))
    normals = None if scan.normals is None else scan.normals[kept]
    return replace(scan, points=scan.points[kept], normals=normals, sources=(source,))


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--scans", type=int, default=2)
    options.add_argument("--seed", type=int, default=1000)
    asked = options.parse_args()
    worst = np.zeros(2)
    for seed in range(asked.seed, asked.seed + asked.scans):
        for words, simulated in frames(seed):
            made = datum_of(
                simulated.scan, np.array(simulated.truth["scan_from_car"]), simulated.truth["case"]["drift_mm"]
            )
            angle, places, z = judged(made, simulated)
            worst = np.maximum(worst, [angle, np.abs(places).max()])
            told = (
                f"{angle:.4f} deg, {places[0]:+.3f} and {places[1]:+.3f} mm at the ends, {z[0]:+.2f} and {z[1]:+.2f} u"
            )
            print(f"{seed} {simulated.truth['case']['chassis']:<10}{words:<30}{told}", flush=True)
    print(f"at most {worst[0]:.4f} deg and {worst[1]:.3f} mm")


if __name__ == "__main__":
    main()
