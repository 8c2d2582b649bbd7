"""Tube nodes: where the centrelines of two round tubes pass each other so close that the tubes touch."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from barerail.geometry.line import closest
from barerail.records import Array, BentTube, Feature
from barerail.stages.fit.corner import lines_of, spread

LEAST_DEG = 10.0
"""Angle under which two tubes run side by side, or are one tube cut in two (judgement)."""
CLEAR_MM = 3.0
"""How far apart the surfaces of two tubes may lie that a weld joins (judgement)."""
SHORT = 3.0
"""Length in diameters up to which what looks like a tube may be a sleeve whose bore wasn't seen: no node of it."""
HIDDEN_MM = 25.0
"""How much of a tube's end weld, grime and what wasn't seen may hide, beyond what the other tube does (judgement)."""


def tube_nodes(found: Sequence[Feature], bent: Sequence[BentTube]) -> list[Feature]:
    """A node for each two tubes of `found` whose centrelines pass closer than the sum of their radii and CLEAR_MM, at
    places where there is tube; none of two pieces of one bent tube. members: rows of both tubes, the longer one first.

    detail: gap_mm, u_gap_mm (standard uncertainty) and angle_deg of the centrelines.
    """
    one = [set(b.tubes) for b in bent]
    arcs = [(i, o.arc) for b in bent for o in b.bends for i in o.between]
    long = [i for i, f in enumerate(found) if f.kind == "tube" and f.length > SHORT * f.diameter]
    tubes = sorted(long, key=lambda i: (-found[i].length, i))
    pairs = [(i, j) for i, j in combinations(tubes, 2) if not any({i, j} <= pieces for pieces in one)]
    return [n for i, j in pairs if (n := _node(found[i], found[j], (i, j))) and not _on_bend(n, (i, j), found, arcs)]


def _on_bend(node: Feature, rows: tuple[int, int], found: Sequence[Feature], arcs: Sequence[tuple[int, Array]]) -> bool:
    """Whether a node lies beyond where the bend of one of its tubes begins: the straight axis isn't the tube there."""
    for i, arc in arcs:
        if i in rows:
            f = found[i]
            start = min((arc[0], arc[-1]), key=lambda at: float(np.linalg.norm(np.cross(at - f.point, f.axis))))
            begins = float((start - f.point) @ f.axis)
            if float((node.point - f.point) @ f.axis) * np.sign(begins) > abs(begins):
                return True
    return False


def _node(a: Feature, b: Feature, rows: tuple[int, int]) -> Feature | None:
    cosine = abs(float(a.axis @ b.axis))
    if cosine > np.cos(np.radians(LEAST_DEG)):
        return None
    x = lines_of(a, b)
    gap = float(_approach(x)[3])
    if abs(gap) > (a.diameter + b.diameter) / 2 + CLEAR_MM or not _on_both(a, b, cosine):
        return None
    slope = np.column_stack([(_approach(x + d) - _approach(x - d)) / 2e-4 for d in 1e-4 * np.eye(12)])
    cov = slope @ spread(a, b) @ slope.T
    return Feature(
        kind="tube-node",
        point=_approach(x)[:3],
        axis=np.zeros(3),
        diameter=np.nan,
        length=np.nan,
        cov=cov[:3, :3],
        cov_axis=np.zeros((3, 3)),
        u_diameter=np.nan,
        u_length=np.nan,
        arc_deg=np.nan,
        n=a.n + b.n,
        rms=max(a.rms, b.rms),
        members=rows,
        detail={
            "gap_mm": abs(gap),
            "u_gap_mm": float(np.sqrt(cov[3, 3])),
            "angle_deg": float(np.degrees(np.arccos(cosine))),
        },
    )


def _approach(x: Array) -> Array:
    """Mid of the closest approach and the gap with its sign (4,), of lines through x[:3] and x[6:9] along the rest."""
    p, a, q, b = x.reshape(4, 3)
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    s, t = closest(p, a, q, b)
    n = np.cross(a, b)
    return np.append((p + s * a + q + t * b) / 2, (q - p) @ n / np.linalg.norm(n))


def _on_both(a: Feature, b: Feature, cosine: float) -> bool:
    """Whether both tubes have come to where their centrelines pass: up to the other one's surface."""
    sine = np.sqrt(1 - cosine**2)
    along = closest(a.point, a.axis, b.point, b.axis)
    beyond = [abs(s) - f.length / 2 for s, f in zip(along, (a, b), strict=True)]
    hidden = [(o.diameter + f.diameter * cosine) / (2 * sine) + HIDDEN_MM for f, o in ((a, b), (b, a))]
    return all(past < most for past, most in zip(beyond, hidden, strict=True))
