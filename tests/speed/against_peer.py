"""Wall time and peak memory of `barerail run` beside a script that does the first half with open3d alone, in one run.

    python tests/speed/against_peer.py SCAN [SCAN ...]

The script is tools/peer.py of the shared folder beside the checkout; its R is read + voxels + normals.
"""

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PEER = Path(__file__).resolve().parents[2].parent / "shared" / "tools" / "peer.py"
OURS = ("clean", "fit", "datum", "points", "straightness")


def measured(command: list[str]) -> tuple[str, float, float]:
    """Standard output, wall seconds and peak memory in MB of a command."""
    with tempfile.TemporaryFile("w+") as said:
        start = time.perf_counter()
        child = subprocess.Popen(command, stdout=said, stderr=subprocess.DEVNULL)
        _, status, used = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - start
        if status:
            sys.exit(f"failed: {' '.join(command)}")
        said.seek(0)
        return said.read(), seconds, used.ru_maxrss / 1024


def main() -> None:
    if not PEER.exists():
        sys.exit(f"{PEER.name} is not beside the checkout: nothing to measure against")
    print(f"{'scan':<28}{'R s':>7}{'peer s':>8}{'stages s':>10}{'(3 R + 3) s':>13}{'run s':>8}{'peak MB':>9}")
    for scan in map(Path, sys.argv[1:]):
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, "-m", "barerail", "run", str(scan), "--unit", "mm", "--job", folder]
            _, run, peak = measured(command)
            stages = json.loads((Path(folder) / "job.json").read_text())["stages"]
        ours = sum(stages[name]["seconds"] for name in OURS)
        said, peer, _ = measured([sys.executable, str(PEER), str(scan)])
        yardstick = float(re.search(r"yardstick R = .*?: ([0-9.]+)", said)[1])  # type: ignore[index]
        name = f"{scan.parent.name}/{scan.name}"
        print(f"{name:<28}{yardstick:>7.1f}{peer:>8.1f}{ours:>10.1f}{3 * yardstick + 3:>13.1f}{run:>8.1f}{peak:>9.0f}")


if __name__ == "__main__":
    main()
