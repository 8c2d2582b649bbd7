"""The benchmark page: time, memory and errors as a scan grows, beside scripts and library steps, in one run.

    python tests/speed/benchmark.py --spacings 2.8 2.0 1.4 1.0
    python tests/speed/benchmark.py --spacings 2.8 2.0 1.4 1.0 --into DEVELOPERS.md

Simulated ladder frames of one seed, scanned ever finer. R and the peer's time are of tools/peer.py of the shared folder
beside the checkout, dashes where it isn't there. Library steps work on the same arrays as ours, one after the other.
"""

import argparse
import cProfile
import json
import platform
import pstats
import re
import sys
import tempfile
from collections.abc import Iterator
from importlib import import_module
from os import cpu_count
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
from against_peer import OURS, PEER, measured
from steps import Step, bandwidth, steps_on

from barerail.geometry.frames import invert, transform
from barerail.libraries import open3d
from barerail.records import Array
from barerail.scene import SceneCase, make
from barerail.scene.simulate import write
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

BEGIN, END = "<!-- benchmark: made by tests/speed/benchmark.py -->", "<!-- end of benchmark -->"
LIBRARIES = ("numpy", "scipy", "open3d", "sklearn")
NEAR_MM = 4.0
SHOWN = 12


def case_of(spacing: float, seed: int) -> SceneCase:
    return SceneCase("ladder", seed=seed, scan_seed=seed, spacing_mm=spacing, sigma_mm=0.1)


def machine() -> str:
    cpu = next((n.split(":")[1].strip() for n in _lines("/proc/cpuinfo") if n.startswith("model name")), "")
    open3d()
    libraries = ", ".join(f"{name} {import_module(name).__version__}" for name in LIBRARIES)
    return f"{cpu or platform.machine()}, {cpu_count()} cores; Python {platform.python_version()}, {libraries}"


def _lines(path: str) -> list[str]:
    return Path(path).read_text().splitlines() if Path(path).exists() else []


def holes_off(job: Path, truth: dict[str, Any]) -> tuple[int, Array]:
    """How many round holes the truth has, and how far across their axes those that were found are off, mm."""
    back = invert(np.array(json.loads((job / "datum.json").read_text())["car_from_scan"]))
    rows = json.loads((job / "points.json").read_text())["points"]
    seen = [[p[f"{axis}_mm"] for axis in "xyz"] for p in rows if p["kind"] == "hole" and p["state"] == "measured"]
    found = transform(back, np.array(seen))
    holes = [(np.array(t["p"]), np.array(t["axis"])) for t in truth["features"] if t["kind"] == "hole"]
    nearest = [(found - p)[np.argmin(np.linalg.norm(found - p, axis=1))] for p, _ in holes]
    off = [np.linalg.norm(np.cross(d, axis)) for d, (_, axis) in zip(nearest, holes) if np.linalg.norm(d) < NEAR_MM]
    return len(holes), np.array(off)


def grown(spacings: list[float], seed: int, folder: Path) -> Iterator[str]:
    """A row of the table for each spacing."""
    for spacing in spacings:
        simulated = make(case_of(spacing, seed))
        write(simulated, folder)
        scan, job = folder / "scan.ply", folder / f"job-{spacing:g}"
        _, run, peak = measured([*_run(scan, np.array(simulated.truth["scan_from_car"])), "--job", str(job)])
        stages = json.loads((job / "job.json").read_text())["stages"]
        seconds = [*(stages[name]["seconds"] for name in ("read", *OURS[:3])), sum(stages[n]["seconds"] for n in OURS)]
        there, off = holes_off(job, simulated.truth)
        cells = [f"{spacing:g}", f"{len(simulated.scan.points) / 1e6:.2f}", *(f"{s:.1f}" for s in seconds)]
        cells += [f"{run:.0f}", f"{peak:.0f}", *yardstick(scan), f"{len(off)} of {there}"]
        yield "| " + " | ".join([*cells, f"{np.median(off):.3f} / {np.quantile(off, 0.95):.3f}"]) + " |"


def _run(scan: Path, scan_from_car: Array) -> list[str]:
    front, above = transform(scan_from_car, np.array([(4000.0, 0, 0), (0.0, 0, 3000)])).tolist()
    hints = [f"--{name}={','.join(f'{v:.1f}' for v in at)}" for name, at in (("front", front), ("above", above))]
    return [sys.executable, "-m", "barerail", "run", str(scan), "--unit", "mm", *hints]


def yardstick(scan: Path) -> tuple[str, str]:
    """R and the peer's whole time, s, or dashes."""
    if not PEER.exists():
        return "-", "-"
    said, whole, _ = measured([sys.executable, str(PEER), str(scan)])
    return re.search(r"yardstick R = .*?: ([0-9.]+)", said)[1], f"{whole:.1f}"  # type: ignore[index]


def profiled(spacing: float, seed: int) -> list[str]:
    """Where clean and fit spend their time: the functions with most of their own."""
    scan, settings = make(case_of(spacing, seed)).scan, Settings()
    profile = cProfile.Profile()
    profile.runcall(lambda: fit(clean(scan, settings.clean), settings.fit))
    stats = pstats.Stats(profile)
    rows = sorted(stats.stats.items(), key=lambda row: -row[1][2])[:SHOWN]  # type: ignore[attr-defined]
    whole = stats.total_tt  # type: ignore[attr-defined]
    return [f"| {_place(key)} | {calls} | {100 * own / whole:.0f} |" for key, (_, calls, own, _, _) in rows]


def _place(key: tuple[str, int, str]) -> str:
    file, _, name = key
    return f"`{Path(file).parent.name}/{Path(file).name}` {name}" if file != "~" else f"`{name}`"


def page(spacings: list[float], seed: int) -> Iterator[str]:
    copy = bandwidth()
    yield f"{machine()}; memory copied at {copy:.1f} GB/s.\n"
    yield "| spacing mm | points, millions | read s | clean s | fit s | datum s | clean to straightness s | run s | peak MB | R s | peer s | holes | across, median / 95 % mm |"  # noqa: E501
    yield "|" + "---|" * 13
    with tempfile.TemporaryDirectory() as folder:
        yield from grown(spacings, seed, Path(folder))
    middle = spacings[len(spacings) // 2]
    yield f"\nOur steps beside a library's on the same arrays, {middle:g} mm; bound: what reading and writing them once takes at that rate.\n"  # noqa: E501
    yield "| step | ours s | library s | which | ratio | times the bound |"
    yield "|---|---|---|---|---|---|"
    yield from (_row(step, copy) for step in steps_on(make(case_of(middle, seed)).scan))
    yield f"\nWhere clean and fit spend their own time, {middle:g} mm:\n"
    yield "| function | calls | % of time |"
    yield "|---|---|---|"
    yield from profiled(middle, seed)


def _row(step: Step, copy: float) -> str:
    bound = step.bytes_moved / 1e9 / copy
    return (f"| {step.name} | {step.ours:.2f} | {step.library:.2f} | {step.which} | {step.ours / step.library:.2f} | "
            f"{step.ours / bound:.0f} |")  # fmt: skip


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--spacings", type=float, nargs="+", default=[2.8, 2.0, 1.4])
    options.add_argument("--seed", type=int, default=90)
    options.add_argument("--into", type=Path, help="the page to put it into, between its two marks")
    asked = options.parse_args()
    start, lines = perf_counter(), []
    for line in page(asked.spacings, asked.seed):
        print(line, flush=True)
        lines.append(line)
    print(f"\n{perf_counter() - start:.0f} s")
    if asked.into:
        before, rest = asked.into.read_text("utf-8").split(BEGIN)
        asked.into.write_text(f"{before}{BEGIN}\n" + "\n".join(lines) + f"\n{END}{rest.split(END)[1]}", "utf-8")


if __name__ == "__main__":
    main()
