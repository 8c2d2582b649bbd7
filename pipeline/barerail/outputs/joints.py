"""Joints for the eye: of the nodes of one joint the first stands for all, on the screen, the pages and the sheets.

Files for other programs hold every node.
"""

from dataclasses import replace

import numpy as np

from barerail.outputs.sides import LARGER, verdict
from barerail.outputs.words import fixed, rounded_up
from barerail.records import MountPoint, MountPoints

JOINT_MM = 10.0
"""How far apart nodes of one joint lie: its tubes are aimed at one place to a few mm (judgement)."""
AUTOMATIC = "tube-node-"
"""How the names of nodes that nobody named begin."""


def at_joints(points: MountPoints) -> MountPoints:
    """The points without the unnamed nodes that stand within JOINT_MM of a node before them, whose note counts them;
    of their pairs those stay that differ by more than U."""
    kept: list[MountPoint] = []
    away: dict[str, list[float]] = {}
    hidden = set()
    for p in points.points:
        first = _first(kept, p) if p.kind == "tube-node" and p.name.startswith(AUTOMATIC) else None
        if first is None:
            kept.append(p)
        else:
            hidden.add(p.name)
            away.setdefault(first.name, []).append(float(np.linalg.norm(first.position - p.position)))
    told = tuple(replace(p, note=f"{_words(away[p.name])}; {p.note}") if p.name in away else p for p in kept)
    pairs = tuple(p for p in points.pairs if p.left not in hidden or verdict(p) == LARGER)
    return replace(points, points=told, pairs=pairs)


def _first(kept: list[MountPoint], p: MountPoint) -> MountPoint | None:
    nodes = (k for k in kept if k.kind == "tube-node" and np.linalg.norm(k.position - p.position) <= JOINT_MM)
    return min(nodes, key=lambda k: float(np.linalg.norm(k.position - p.position)), default=None)


def _words(away: list[float]) -> str:
    within = fixed(rounded_up(max(away), 1), 1)
    return f"one of {len(away) + 1} nodes of this joint, the others within {within} mm: in points.csv"
