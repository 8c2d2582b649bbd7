"""How much faster a series is in two processes than in one, on the same scans.

    python tests/speed/series.py [--scans 16] [--seed 1000] [--spacing 2.8]

Measured is the whole command `barerail series`, from its start to its result, in new folders: with `at_once = 1` held
to one processor; with `at_once = 1` as a user without it has it, where the one job deals its work out to copies of
itself on all processors; and with `at_once = 2`, where each job has half of the processors and makes no copies, and the
first scan still runs alone, to show how much memory one takes. Before and after,
and beside it, what the machine itself allows: a loop over whole numbers that touches no memory, in one process and in
two. Scans: small simulated chassis of one kind, in one place, the datum given, so that no time goes by that another
kind of scan would not take too. Nothing else may run on the machine. Wanted: two at least 1.7 times as fast as one on
one processor, where memory allows two.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from barerail.scene import SceneCase, make, write

TRIES = 12
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


def loop(rounds: int) -> int:
    """Work that lies in a processor's registers and first cache alone."""
    total = 0
    for i in range(rounds):
        total += i & 7
    return total


def bare(tries: int, rounds: int = 20_000_000) -> list[float]:
    """How much faster two processes do two such loops than one does, once a try."""
    ratios = []
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(loop, (rounds // 10,) * 4))
        for _ in range(tries):
            began = time.perf_counter()
            pool.submit(loop, rounds).result()
            alone = time.perf_counter()
            list(pool.map(loop, (rounds, rounds)))
            ratios.append(2 * (alone - began) / (time.perf_counter() - alone))
    return ratios


def seconds(scans: list[Path], at_once: int, processors: set[int]) -> float:
    """Of the series, on these processors."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Path(folder) / "series.toml"
        settings.write_text(SETTINGS.format(at_once=at_once))
        command = [sys.executable, "-m", "barerail", "series", *map(str, scans), "--jobs", f"{folder}/jobs"]
        began = time.perf_counter()
        done = subprocess.run([*command, "--unit", "mm", "--settings", str(settings)],
                              stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
                              preexec_fn=lambda: os.sched_setaffinity(0, processors))  # fmt: skip
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
    with tempfile.TemporaryDirectory() as folder:
        scans = made(Path(folder), asked)
        machine = bare(TRIES)
        every = os.sched_getaffinity(0)
        one = seconds(scans, 1, {min(every)})
        machine += bare(TRIES)
        alone = seconds(scans, 1, every)
        two = seconds(scans, 2, every)
        machine += bare(TRIES)
    low, middle, high = np.quantile(machine, [0.25, 0.5, 0.75])
    print(f"{asked.scans} scans, {os.cpu_count()} processors; one process on one of them {one:7.1f} s")
    print(f"one on all of them {alone:7.1f} s: {one / alone:.2f} times as fast")
    print(f"two processes {two:7.1f} s: {one / two:.2f} times as fast")
    print(f"a bare loop in two processes: {middle:.2f} times as fast (middle half of tries {low:.2f} to {high:.2f})")


if __name__ == "__main__":
    main()
