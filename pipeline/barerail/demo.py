"""The demo: a simulated scan and its truth on disk, and the job to do on it."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from barerail.given import Request
from barerail.ledger import Watch
from barerail.records import Note
from barerail.settings import Settings

SCAN, TRUTH = "scan.ply", "truth.json"


def prepare(job: Path, watch: Watch) -> Request:
    """Write scan.ply and truth.json into a folder beside `job`; front and above are taken from the truth."""
    from barerail.scene import demo_case, make, write

    folder = job.with_name(f"{job.name}-scan")
    watch.begin("scan")
    write(make(demo_case()), folder)
    watch.end("scan", f"simulated: {folder / SCAN}, and its truth in {folder / TRUTH}", _set_since(job))
    truth = json.loads((folder / TRUTH).read_text("utf-8"))
    rear, front = truth["x_range"]
    ahead, over = (_in_file(truth, point) for point in ((2 * front - rear, 0, 0), ((rear + front) / 2, 0, 3000)))
    return Request(job, scans=(folder / SCAN,), changes={"datum.front": ahead, "datum.above": over})


def _set_since(job: Path) -> list[Note]:
    """Whether the job remembers settings of later commands: then this run shows these, not the plain demo."""
    try:
        held = json.loads((job / "job.json").read_text("utf-8"))["settings"]
        parts = [part for part, values in Settings().model_dump(mode="json").items() if _plain(held[part]) != values]
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return []
    told = f"set in this job since and kept: {', '.join(parts)}; the plain demo is made in another folder (--job)"
    return [Note("scan", told, 1, True)] if parts else []


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """Settings of a section without the hints that the demo itself gives."""
    return {key: None if key in ("front", "above") else value for key, value in values.items()}


def _in_file(truth: dict[str, list[list[float]]], car: tuple[float, ...]) -> tuple[float, ...]:
    """A point of the car (mm) in the scan file's coordinates and unit."""
    scan = np.array(truth["scan_from_car"]) @ [*car, 1.0]
    return tuple(np.round(scan[:3] * truth["unit_scale"], 3).tolist())
