"""Left against right: what each pair differs, what is above U first, and what stands on one side only."""

from collections.abc import Iterable

import numpy as np

from barerail.outputs.words import expanded, fixed, one_line, rounded_up, text_table, wrapped
from barerail.records import MountPoint, MountPoints, Pair

LARGER, WITHIN = "larger than U", "within U"
UNSEEN_MM = 1000.0


def apart(pair: Pair) -> float:
    """Length of the difference, mm."""
    return float(np.linalg.norm(pair.difference))


def by_size(pairs: Iterable[Pair]) -> list[Pair]:
    """Pairs, those that differ by more than U first, of each the largest difference first."""
    return sorted(pairs, key=lambda p: (verdict(p) == WITHIN, -apart(p), p.left))


def verdict(pair: Pair) -> str:
    """Whether x, y or z differs by more than its U (k = 2)."""
    return LARGER if np.any(np.abs(pair.difference) > expanded(pair.cov)) else WITHIN


def one_sided(points: MountPoints) -> list[MountPoint]:
    """Measured points on the left or right whose partner wasn't found."""
    return [p for p in points.points if p.side in ("L", "R") and not p.partner and p.state == "measured"]


def sides_words(points: MountPoints) -> str:
    """The table of pairs, and the points that stand on one side only."""
    alone = ", ".join(one_line(p.name) for p in one_sided(points))
    lines = wrapped(f"on one side only: {alone}") if alone else []
    return "\n".join(["Left against right", pairs_table(points), *lines])


def pairs_table(points: MountPoints) -> str:
    """One row a left/right pair, those above U first: right mirrored less left, each with U."""
    if not points.pairs:
        return "no left/right pairs were found"
    head = ("left", "right", "apart mm", "dx mm", "U", "dy mm", "U", "dz mm", "U", "")
    rows = [_cells(p) for p in by_size(points.pairs)]
    table = text_table(head, rows, (False, False, *(True,) * 7, False))
    return f"{table}\nright mirrored to the left, less left; U: k = 2"


def _cells(p: Pair) -> tuple[str, ...]:
    values = (c for d, u in zip(p.difference, expanded(p.cov)) for c in _told(d, u))
    return (one_line(p.left), one_line(p.right), fixed(apart(p), 2), *values, verdict(p))


def _told(value: float, u: float) -> tuple[str, str]:
    """A difference and its U; along a tube or rail the scan holds none."""
    return (fixed(value, 2), fixed(rounded_up(u, 2), 2)) if u < UNSEEN_MM else ("", "unseen")
