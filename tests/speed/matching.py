"""What of a simulated scan's truth the scan shows, and which fitted feature is which true one, all in scan axes."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from barerail.geometry.frames import basis
from barerail.geometry.raster import cover
from barerail.records import Array, Feature

KINDS = {"hole": "hole", "slot": "slot", "stud": "stud", "clevis": "bolt-axis", "sleeve": "sleeve", "tube": "tube"}
"""Kind of a true feature, and of the fitted one that stands for it."""
REACH_MM = 4.0
NEVER = 1e6


def shown(true: Mapping[str, Any], tree: cKDTree, spacing: float) -> bool:
    """Whether the scan holds enough of a true feature: four fifths of a rim, less of what has a body.

    A cloud has empty discs of its own: holes, slots and brackets' holes narrower than five point spacings don't count.
    """
    p, axis = np.asarray(true["p"]), np.asarray(true["axis"])
    if true["kind"] in ("hole", "slot", "clevis") and true["d"] < max(6.0, 5 * spacing):
        return False
    match true["kind"]:
        case "hole":
            return _rim(tree, p, axis, true["d"]) >= 0.8
        case "slot":
            return _rim(tree, p, axis, true["length"], true["d"]) >= 0.8
        case "stud":
            return _body(tree, p + axis * true["length"] / 2, axis, true["d"], true["length"] / 2 - 3) >= 0.4
        case "clevis":
            offs = [side * (true["gap"] / 2 + tab) * axis for side in (-1, 1) for tab in (0.0, true["tab"])]
            rims = [_rim(tree, p + off, axis, true["d"]) for off in offs]
            return max(rims[:2]) >= 0.7 and max(rims[2:]) >= 0.7
        case "sleeve":
            return _body(tree, p, axis, true["od"], true["length"] / 2) >= 0.37
        case "tube":
            p0, p1 = np.asarray(true["p0"]), np.asarray(true["p1"])
            rings = [_body(tree, p0 + t * (p1 - p0), axis, true["d"], 12.0) for t in np.linspace(0.1, 0.9, 9)]
            return sum(r >= 8 / 24 for r in rings) >= 5
    return False


def _local(tree: cKDTree, p: Array, axis: Array, reach: float) -> Array:
    rows = tree.query_ball_point(p, reach, return_sorted=True)
    return (np.asarray(tree.data)[rows] - p) @ basis(axis).T


def _rim(tree: cKDTree, p: Array, axis: Array, length: float, width: float | None = None) -> float:
    """Share of directions in which the face about a hole or slot is seen, within 5 mm of the rim."""
    local = _local(tree, p, axis, length / 2 + 8)
    face = local[np.abs(local[:, 2]) < 1.2, :2]
    return cover(face, np.zeros(2), (width or length) / 2 - 0.6, length / 2 + 5)


def _body(tree: cKDTree, p: Array, axis: Array, d: float, half: float) -> float:
    """Share of directions in which a round body's surface is seen."""
    local = _local(tree, p, axis, float(np.hypot(half, d)))
    side = local[np.abs(local[:, 2]) < half, :2]
    return cover(side, np.zeros(2), d / 2 - 0.9, d / 2 + 0.9)


def across(f: Feature, true: Mapping[str, Any]) -> tuple[float, Array]:
    """Distance between the true point and the feature's across the true axis, mm; inf where they can't be one."""
    axis, d = np.asarray(true["axis"]), f.point - np.asarray(true["p"])
    along = float(d @ axis)
    miss = d - along * axis
    reach = 8.0
    if true["kind"] == "tube":
        reach = float(np.linalg.norm(np.asarray(true["p1"]) - np.asarray(true["p0"]))) / 2
    elif true["kind"] == "sleeve":
        reach = true["length"] / 2
    far = abs(f.axis @ axis) < 0.95 or abs(along) > reach
    return float("inf") if far else float(np.linalg.norm(miss)), miss


def matched(found: Sequence[Feature], truths: Sequence[Mapping[str, Any]]) -> list[tuple[int, int]]:
    """Pairs (row of found, row of truths) of one kind within REACH_MM across, the least sum of distances."""
    cost = np.full((len(found), len(truths)), NEVER)
    for j, true in enumerate(truths):
        for i, f in enumerate(found):
            if KINDS.get(true["kind"]) == f.kind and (off := across(f, true)[0]) < REACH_MM:
                cost[i, j] = off
    rows, columns = linear_sum_assignment(cost)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if cost[i, j] < NEVER]


def single_tab(f: Feature, truths: Sequence[Mapping[str, Any]]) -> bool:
    """Whether a hole is that of one tab of a true bracket."""
    for true in truths if f.kind == "hole" else ():
        axis, d = np.asarray(true["axis"]), f.point - np.asarray(true["p"])
        along = float(d @ axis)
        near = np.linalg.norm(d - along * axis) < REACH_MM and abs(f.axis @ axis) > 0.95
        if true["kind"] == "clevis" and near and -2 < abs(along) - true["gap"] / 2 < true["tab"] + 2:
            return True
    return False
