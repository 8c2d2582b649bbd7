"""Seconds of each stage and peak memory of `barerail run` on a cloud, and on the same made many times denser.

    python tests/speed/big.py SCAN --times 10 30

Each point is there so many times, within its surface and with noise: 1 million points and 30 times are 30 million.
"""

import argparse
import json
import sys
import tempfile
from pathlib import Path

import numpy as np
from against_peer import measured

from barerail.store import readers

STAGES = ("read", "clean", "fit", "datum", "points", "straightness", "export", "report")
WITHIN_MM, NOISE_MM = 1.0, 0.05


def denser(scan: Path, times: int, folder: Path) -> tuple[Path, int]:
    """A PLY of the scan with each point `times` times, and how many there are."""
    given = readers.read([scan], "mm")
    if given.normals is None or given.triangles is not None:
        sys.exit(f"{scan.name} is no cloud with normals")
    rng, normals = np.random.default_rng(1), np.repeat(given.normals, times, axis=0)
    points = np.repeat(given.points, times, axis=0)
    move = rng.uniform(-WITHIN_MM, WITHIN_MM, points.shape).astype(np.float32)
    move += (NOISE_MM * rng.standard_normal(len(points)) - np.einsum("ij,ij->i", move, normals))[:, None] * normals
    names = ("x", "y", "z", "nx", "ny", "nz")
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    path = folder / f"{scan.stem}-{times}.ply"
    with path.open("wb") as file:
        file.write((head + "".join(f"property float {n}\n" for n in names) + "end_header\n").encode())
        np.hstack([points + move, normals]).astype("<f4").tofile(file)
    return path, len(points)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scan", type=Path)
    parser.add_argument("--times", type=int, nargs="+", default=[10, 30])
    asked = parser.parse_args()
    print(f"{'points':>11}" + "".join(f"{name:>13}" for name in STAGES) + f"{'run s':>9}{'peak GB':>9}")
    for times in [1, *asked.times]:
        with tempfile.TemporaryDirectory() as folder:
            path, count = denser(asked.scan, times, Path(folder))
            job = Path(folder) / "job"
            command = [sys.executable, "-m", "barerail", "run", str(path), "--unit", "mm", "--job", str(job)]
            _, seconds, peak = measured(command)
            told = json.loads((job / "job.json").read_text())["stages"]
        took = "".join(f"{told[name]['seconds']:>13.1f}" for name in STAGES)
        print(f"{count:>11}{took}{seconds:>9.1f}{peak / 1024:>9.2f}", flush=True)


if __name__ == "__main__":
    main()
