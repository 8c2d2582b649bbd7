"""The demo: a simulated scan and its truth on disk, and the job to do on it."""

import json
from pathlib import Path

import numpy as np

from barerail.given import Request
from barerail.ledger import Watch

SCAN, TRUTH = "scan.ply", "truth.json"


def prepare(job: Path, watch: Watch) -> Request:
    """Write scan.ply and truth.json into a folder beside `job`; front and above are taken from the truth."""
    from barerail.scene import demo_case, make, write

    folder = job.with_name(f"{job.name}-scan")
    watch.begin("scan")
    write(make(demo_case()), folder)
    watch.end("scan", f"simulated: {folder / SCAN}, and its truth in {folder / TRUTH}")
    truth = json.loads((folder / TRUTH).read_text("utf-8"))
    rear, front = truth["x_range"]
    ahead, over = (_in_file(truth, point) for point in ((2 * front - rear, 0, 0), ((rear + front) / 2, 0, 3000)))
    return Request(job, scans=(folder / SCAN,), changes={"datum.front": ahead, "datum.above": over})


def _in_file(truth: dict[str, list[list[float]]], car: tuple[float, ...]) -> tuple[float, ...]:
    """A point of the car (mm) in the scan file's coordinates and unit."""
    scan = np.array(truth["scan_from_car"]) @ [*car, 1.0]
    return tuple(np.round(scan[:3] * truth["unit_scale"], 3).tolist())
