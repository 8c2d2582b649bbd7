"""Seconds and peak memory that the page and the sheets add to a run, on a big cloud with many features.

    python tests/speed/pages.py --points 5e6

The scan is three simulated chassis one above the other, about 200 features; seed 1 to 99.
"""

import argparse
import json
import resource
import sys
import tempfile
from pathlib import Path

import numpy as np
from against_peer import measured

from barerail.scene.case import SceneCase
from barerail.scene.ply import encode
from barerail.scene.simulate import World, as_read, make

STACKED, APART_MM = 3, 900.0


def stacked(points: float, seed: int, folder: Path) -> Path:
    """A PLY of about so many points: the same chassis three times, each higher in the car's own axes."""
    rough = SceneCase("ladder", seed=seed, spacing_mm=6.0)
    spacing = 6.0 * float(np.sqrt(STACKED * len(make(rough).scan.points) / points))
    case = SceneCase("ladder", seed=seed, spacing_mm=spacing)
    scan, up = make(case).scan, World(case).pose[:3, 2]
    if scan.normals is None:
        raise ValueError("a simulated cloud has normals")
    places = np.vstack([scan.points + k * APART_MM * up for k in range(STACKED)])
    path = folder / "stacked.ply"
    path.write_bytes(encode(as_read(case, places, np.tile(scan.normals, (STACKED, 1)), None)))
    return path


def _processor() -> float:
    """Seconds of processor time that ended children took."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=float, default=5e6)
    parser.add_argument("--seed", type=int, default=5)
    asked = parser.parse_args()
    tool = [sys.executable, "-m", "barerail"]
    with tempfile.TemporaryDirectory() as folder:
        scan, job = stacked(asked.points, asked.seed, Path(folder)), Path(folder) / "job"
        print(f"{'command':<10}{'wall s':>9}{'cpu s':>9}{'stage s':>9}{'peak GB':>9}")
        steps = {"clean": [str(scan), "--unit", "mm"], "export": [], "report": [], "sheets": []}
        for name, more in steps.items():
            before = _processor()
            _, seconds, peak = measured([*tool, name, *more, "--job", str(job)])
            stages = json.loads((job / "job.json").read_text())["stages"]
            took = (seconds, _processor() - before, stages[name]["seconds"])
            print(f"{name:<10}" + "".join(f"{v:>9.1f}" for v in took) + f"{peak / 1024:>9.2f}", flush=True)
        print({name: stages[name]["counts"] for name in ("read", "points")})
        print(f"page {(job / 'report.html').stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
