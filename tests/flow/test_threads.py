"""The same scan gives the same bytes however many threads the numeric libraries may use. No source: common practice."""

import os
import subprocess
import sys
from pathlib import Path

SCAN = Path(__file__).resolve().parents[2] / "samples" / "scan.ply"
FILES = ("datum.json", "points.json", "points.csv", "pairs.csv")
COUNTS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def run(job: Path, threads: int) -> list[bytes]:
    """What the points stage leaves of the sample scan, made in a process of its own."""
    environment = {**os.environ, **dict.fromkeys(COUNTS, str(threads))}
    for command in (["clean", str(SCAN)], ["points"]):
        done = [sys.executable, "-m", "barerail", *command, "--job", str(job)]
        subprocess.run(done, env=environment, check=True, capture_output=True, timeout=600)
    return [(job / name).read_bytes() for name in FILES]


def test_the_number_of_threads_changes_no_byte(tmp_path):
    assert run(tmp_path / "one", 1) == run(tmp_path / "three", 3)
