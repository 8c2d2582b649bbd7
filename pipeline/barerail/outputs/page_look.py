"""A page of a scan before any datum: which way is front, up and left, and where it is thin or empty."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from barerail.geometry.skins import Face, Tube
from barerail.outputs.empty import Empty, empty_by_edges
from barerail.outputs.page import page_html
from barerail.outputs.page_gaps import gap_spots, gap_traces
from barerail.outputs.page_scan import Shown, coarse, means, packed
from barerail.outputs.unseen import DOUBT, more_words
from barerail.outputs.unseen import MOST as EMPTIES
from barerail.outputs.words import fixed, one_line
from barerail.records import CHASSIS, Array, CleanScan
from barerail.settings import ReportSettings

DENSE, THIN = "#cfd6d2", "#b4531a"
SPARSE = 1.5
"""Local spacing over the scan's own beyond which a place is thin (judgement)."""
APART_MM = 40.0
MOST = 8
LEAST_CM2 = 4.0
DECIMALS = {"mm": 1, "cm": 2, "m": 4, "in": 3, "ft": 4}
VIEWS = {
    "three-quarter": "three-quarter",
    "front": "from +x",
    "rear": "from −x",
    "left": "from +y",
    "right": "from −y",
    "top": "from +z",
    "under": "from −z",
}


def look_html(
    clean: CleanScan, settings: ReportSettings, title: str, command: str, skins: Sequence[Face | Tube] = ()
) -> bytes:
    """The page as UTF-8 bytes; `command` is what its options are to be added to, `skins` are looked at for gaps."""
    sparse = sparseness(clean)
    spots = thin_spots(clean, sparse)
    empties = empty_by_edges(clean, skins)
    scan = _shown(clean, sparse, settings.page_triangles)
    low, high = np.floor(scan.xyz.min(axis=0)) - 20, np.ceil(scan.xyz.max(axis=0)) + 20
    middle, size = (low + high) / 2, float(np.linalg.norm(high - low))
    view = {
        "scan": packed(scan) | {"colours": [[0, DENSE], [0.5, DENSE], [1, THIN]]},
        "low": low.tolist(),
        "high": high.tolist(),
        "traces": gap_traces(empties, np.eye(4)),
        "spots": gap_spots(empties, np.eye(4)),
        "points": [_card(name, at, words, middle) for name, at, words in spots],
        "datum": [{"text": f"{axis} of the file", "at": _tip(low, high, k)} for k, axis in enumerate("xyz")],
        "axes": ["of the file"] * 3,
        "pick": True,
    }
    unit = clean.scan.unit
    look = {
        "middle": middle.tolist(),
        "size": size,
        "patch": 12.0 + 2 * clean.voxel_mm,
        "mm": clean.scan.mm_per_unit,
        "unit": unit,
        "decimals": DECIMALS.get(unit, 3),
        "command": command,
    }
    return page_html(
        "look.html.j2",
        {"view": view, "look": look},
        scripts=("look",),
        title=title,
        facts=_facts(clean, high - low),
        warnings=_warnings(clean),
        command=command,
        views=VIEWS,
        spots=[(name, words) for name, _, words in spots],
        empties=[_empty_words(e, clean) for e in empties[:EMPTIES]],
        more=more_words(empties),
        legend=f"as dense as usual here, {fixed(clean.spacing_mm, 2)} mm … {SPARSE:g} times that spacing and more",
        gradient=f"{DENSE}, {THIN}",
        marks={},
    )


def sparseness(clean: CleanScan) -> Array:
    """Local point spacing over the scan's own (m,), 1 in the middle of all: from the points in each cell and around."""
    count = np.diff(clean.start).astype(float)
    if clean.near.size == 0:
        return np.sqrt(np.median(count) / np.maximum(count, 0.1))
    near = np.maximum(clean.near, 0)
    known = clean.near >= 0
    around = (count + np.where(known, count[near], 0.0).sum(axis=1)) / (1 + known.sum(axis=1))
    return np.sqrt(np.median(around) / np.maximum(around, 0.1))


def thin_spots(clean: CleanScan, sparse: Array) -> list[tuple[str, Array, str]]:
    """Name, place and words of the largest thin spots of the chassis, the largest first."""
    rows = np.flatnonzero((clean.label == CHASSIS) & (sparse > SPARSE))
    if not len(rows):
        return []
    graph = cKDTree(clean.thin[rows]).sparse_distance_matrix(cKDTree(clean.thin[rows]), 3 * clean.voxel_mm)
    part = connected_components(graph, directed=False)[1]
    area = np.bincount(part) * clean.voxel_mm**2 / 100
    found: list[tuple[str, Array, str]] = []
    for k in np.argsort(-area, kind="stable")[:MOST]:
        if area[k] < LEAST_CM2:
            break
        mine = rows[part == k]
        at = clean.thin[mine].mean(axis=0)
        wide = float(np.median(sparse[mine])) * clean.spacing_mm
        words = f"{area[k]:.0f} cm2 at {wide:.1f} mm, where the scan has {clean.spacing_mm:.1f} mm"
        found.append((f"thin {len(found) + 1}", at, words))
    return found


def _empty_words(e: Empty, clean: CleanScan) -> str:
    place = ", ".join(fixed(v / clean.scan.mm_per_unit, DECIMALS.get(clean.scan.unit, 3)) for v in e.at)
    told = "not scanned: no points over" if e.missed else f"{DOUBT} Over"
    return f"{told} {e.size}, about {place} of the file"


def _shown(clean: CleanScan, sparse: Array, budget: int) -> Shown:
    group, edge = coarse(clean.thin, clean.normals, clean.voxel_mm, budget)
    turned = means(group, clean.normals)
    turned /= np.maximum(np.linalg.norm(turned, axis=1, keepdims=True), 1e-12)
    grey = np.clip((means(group, sparse) - 1) / (2 * (SPARSE - 1)) + 0.25, 0, 1)
    return Shown(group.mean, turned, grey, np.full(len(grey), min(1.05 * edge, 25.0)), None)


def _tip(low: Array, high: Array, axis: int) -> list[float]:
    at = (low + high) / 2
    at[axis] = high[axis]
    return [float(v) for v in at]


def _card(name: str, at: Array, words: str, middle: Array) -> dict[str, Any]:
    away = at - middle + np.array([0.0, 0.0, 1.0])
    return {
        "name": name,
        "kind": "thin",
        "side": "",
        "partner": "",
        "at": at.round(2).tolist(),
        "size": 40.0,
        "from": away.round(2).tolist(),
        "details": [["kind", "thin spot"], ["here", words]],
    }


def _facts(clean: CleanScan, size: Array) -> list[tuple[str, str]]:
    in_m, in_file = (" x ".join(fixed(v / k, d) for v in size) for k, d in ((1000, 2), (clean.scan.mm_per_unit, 0)))
    noise = f"{fixed(clean.noise_mm, 2)} mm" if np.isfinite(clean.noise_mm) else "unknown"
    return [
        ("scan points", str(len(clean.scan.points))),
        ("spacing, noise", f"{fixed(clean.spacing_mm, 2)} mm, {noise}"),
        ("unit", one_line(clean.scan.unit) + (", GUESSED" if clean.scan.unit_assumed else "")),
        ("size", f"{in_m} m ({in_file} in the file)"),
    ]


def _warnings(clean: CleanScan) -> list[str]:
    said = [n.text for n in (*clean.scan.notes, *clean.notes) if n.warning]
    if clean.scan.unit_assumed:
        said.append("The unit was guessed from the size: a car's frame is 3 to 5 m long. Give --unit if that is wrong.")
    return [one_line(text) for text in said]
