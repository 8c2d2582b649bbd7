"""A run killed at random moments: what lies in its job is never wrong, and the next run goes on to the same bytes.

    python tests/speed/kill.py SCAN [--moments 50] [--seed 1] [--ctrl-c] [-- further options of barerail run]

An undisturbed run comes first. After each kill, every file of the job under its own name must have the undisturbed
one's bytes; so must all of them once a last run is left to end. A job that was done starts again from nothing.
--ctrl-c: interrupted instead; it must end with exit code 130 and one line, and the longest that took is told. Python's
own start, the first 0.3 s, is left out: nothing of this program runs yet.
"""

import argparse
import hashlib
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

FREE = ("job.json", "work/lock")
"""What may differ between two runs: times, and the number of the process."""
STOPPED = b"barerail: stopped; "


def start(scan: str, job: Path, more: list[str]) -> subprocess.Popen:
    command = [sys.executable, "-m", "barerail", "run", scan, "--job", str(job), "--quiet", *more]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, preexec_fn=heard)


def heard() -> None:
    """A shell that runs this in the background has its children deaf to Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def stop(child: subprocess.Popen, ctrl_c: bool) -> tuple[float, str]:
    """Kill or interrupt; how long it took to end, and what was wrong with how it did."""
    began = time.perf_counter()
    child.send_signal(signal.SIGINT if ctrl_c else signal.SIGKILL)
    _, said = child.communicate()
    good = child.returncode == 0 or (child.returncode == 130 and said.startswith(STOPPED) and said.count(b"\n") == 1)
    return time.perf_counter() - began, "" if good or not ctrl_c else f"exit code {child.returncode}: {said.decode()}"


def finish(scan: str, job: Path, more: list[str]) -> float:
    """Seconds of a run that is let to end."""
    began = time.perf_counter()
    _, said = start(scan, job, more).communicate()
    if not (job / "report.html").exists():
        sys.exit(f"a run failed: {said.decode()}")
    return time.perf_counter() - began


def held(job: Path) -> dict[str, str]:
    """Hashes of a job's finished files by path."""
    files = [p for p in job.rglob("*") if p.is_file() and not p.name.endswith(".part")]
    found = {p.relative_to(job).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
    return {name: kept for name, kept in found.items() if name not in FREE}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scan")
    parser.add_argument("--moments", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ctrl-c", action="store_true")
    asked, more = parser.parse_known_args()
    more = [option for option in more if option != "--"]
    draw = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as folder:
        whole, job = Path(folder) / "whole", Path(folder) / "job"
        longest, right = finish(asked.scan, whole, more), held(whole)
        wrong: list[str] = []
        done, slowest = 0, (0.0, 0.0)
        for moment in range(asked.moments):
            child = start(asked.scan, job, more)
            wait = draw.uniform(0.3 if asked.ctrl_c else 0, longest)
            try:
                child.wait(wait)
            except subprocess.TimeoutExpired:
                took, fault = stop(child, asked.ctrl_c)
                slowest = max(slowest, (took, wait))
                wrong += [f"stop {moment} after {wait:.2f} s: {fault}"] if fault else []
            now = held(job) if job.exists() else {}
            wrong += [f"kill {moment} after {wait:.2f} s: {n}" for n, kept in now.items() if right.get(n) != kept]
            if now == right:
                done += 1
                shutil.rmtree(job)
        finish(asked.scan, job, more)
        wrong += [] if held(job) == right else ["the last run ended with other bytes"]
    print(f"{asked.moments} kills, {done} jobs came to their end, {len(wrong)} faults; a run: {longest:.1f} s")
    print(f"the slowest to end took {slowest[0]:.2f} s, stopped after {slowest[1]:.2f} s")
    print("\n".join(wrong))
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
