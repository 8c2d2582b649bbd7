"""How much faster a series is in two processes than in one, on the same scans.

    python tests/speed/series.py [--scans 16] [--seed 1000] [--spacing 2.8]

Measured is the whole command `barerail series`, from its start to its result, in new folders: with `at_once = 1`, as a
user without it has it (the one job's libraries may use all processors); with `at_once = 2`, each job's libraries have
half of the processors, and the first scan still runs alone, to show how much memory one takes; and for comparison with
one job held to half the processors, which is what two of them would double. Scans: small simulated chassis of one
kind, in one place, the datum given, so that no time goes by that another kind of scan would not take too. Nothing else
may run on the machine. Wanted: two at least 1.7 times as fast as one, where memory allows two.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from barerail.scene import SceneCase, make, write
from barerail.working import THREADS

SETTINGS = """
[datum]
front = [3000.0, 0.0, 0.0]
above = [0.0, 0.0, 3000.0]
[series]
at_once = {at_once}
"""


def made(folder: Path, asked: argparse.Namespace) -> list[Path]:
    """Scans of one car, as they come from one scanner."""
    for i in range(asked.scans):
        case = SceneCase(
            "ladder", seed=asked.seed, scan_seed=i, small=True, spacing_mm=asked.spacing, turned=False, patches=0
        )
        write(make(case), folder / f"car{i}")
    return [folder / f"car{i}" / "scan.ply" for i in range(asked.scans)]


def seconds(scans: list[Path], at_once: int, threads: int = 0) -> float:
    """Of the series; threads: what its jobs are held to, 0: as the command has it."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Path(folder) / "series.toml"
        settings.write_text(SETTINGS.format(at_once=at_once))
        command = [sys.executable, "-m", "barerail", "series", *map(str, scans), "--jobs", f"{folder}/jobs"]
        environment = os.environ | ({name: str(threads) for name in THREADS} if threads else {})
        began = time.perf_counter()
        done = subprocess.run([*command, "--unit", "mm", "--settings", str(settings)], env=environment,
                              stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)  # fmt: skip
        took = time.perf_counter() - began
        lines = done.stderr.splitlines()
        print("\n".join(lines if done.returncode else [line for line in lines if "FAILED" in line or "memory" in line]))
        return took


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("--scans", type=int, default=16)
    ask.add_argument("--seed", type=int, default=1000)
    ask.add_argument("--spacing", type=float, default=2.8, help="mm between points")
    asked = ask.parse_args()
    half = max(1, (os.cpu_count() or 1) // 2)
    with tempfile.TemporaryDirectory() as folder:
        scans = made(Path(folder), asked)
        one, two, held = seconds(scans, 1), seconds(scans, 2), seconds(scans, 1, half)
    print(f"{asked.scans} scans, {os.cpu_count()} processors, one process  {one:7.1f} s")
    print(f"two processes {two:7.1f} s: {one / two:.2f} times as fast")
    print(f"one process held to {half} of the processors {held:7.1f} s: two are {held / two:.2f} times as fast as that")


if __name__ == "__main__":
    main()
