"""Damaged files of every format through their readers: no traceback, no hang over 10 s, memory capped at 4 GB.

    python tests/speed/fuzz.py [--files 20000] [--first 0]

A file that ends the process or takes too long is a fault too, named by its seed; the rest go on in a new process.
"""

import argparse
import os
import resource
import select
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

WORKER = Path(__file__).resolve().parents[1] / "flow" / "mutated.py"
LONGEST_S, MEMORY = 10.0, 4 << 30


def capped() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))


def told(child: subprocess.Popen, patience: float) -> bytes:
    """What a process has to say within some seconds; nothing where it is silent that long or has ended."""
    ready, _, _ = select.select([child.stdout], [], [], patience)
    return os.read(child.stdout.fileno(), 1 << 16) if ready else b""  # type: ignore[union-attr]


def run(first: int, last: int, results: Counter[str], faults: list[str]) -> int:
    """Seeds from `first` on in one process, until all are done or one ends it; the next seed to do."""
    command = [sys.executable, str(WORKER), str(first), str(last)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, preexec_fn=capped)
    text, patience = b"", 60.0
    while data := told(child, patience):
        text, patience = text + data, LONGEST_S
    ended = not _hangs(child)
    child.kill()
    child.wait()
    *lines, rest = text.decode("utf-8", "replace").split("\n")
    for line in lines:
        _, _, result = line.split(" ", 2)
        results[result if result in ("read", "refused") else "fault"] += 1
        faults += [line] if result not in ("read", "refused") else []
    if rest:
        faults.append(f"{rest}{'ended the process' if ended else 'took over 10 s'}")
        results["fault"] += 1
    return first + len(lines) + bool(rest)


def _hangs(child: subprocess.Popen) -> bool:
    time.sleep(0.2)
    return child.poll() is None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    results: Counter[str] = Counter()
    faults: list[str] = []
    at, last = asked.first, asked.first + asked.files
    while at < last:
        at = run(at, last, results, faults)
    print(", ".join(f"{n} {name}" for name, n in sorted(results.items())))
    print("\n".join(faults))
    sys.exit(bool(faults))


if __name__ == "__main__":
    main()
