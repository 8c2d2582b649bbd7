"""How far along a tube its skin is seen, and what of it is missing."""

import numpy as np

from barerail.records import Array, Feature, Index
from barerail.stages.fit.cylinders import GAP_MM, SAME_AXIS, skin_of
from barerail.stages.fit.surface import Surface

STEP_MM = 5.0
"""Length by which a tube is looked along for skin."""


def skin_run(
    surface: Surface, axis: Array, point: Array, radius: float, gap: float = GAP_MM
) -> tuple[Index, float, float]:
    """Thinned points on a cylinder in its run (`run_of`) about `point`, and where that starts and ends on the axis."""
    rows = skin_of(surface, axis, point, radius)
    low, high = run_of(surface, rows, axis, point, radius, gap)
    along = (surface.points[rows] - point) @ axis
    return rows[(along > low) & (along < high)], low, high


def run_of(
    surface: Surface, rows: Index, axis: Array, point: Array, radius: float, gap: float = GAP_MM
) -> tuple[float, float]:
    """Start and end along the axis of the run about `point` with skin all along but for gaps up to `gap` mm."""
    if len(rows) < 12:
        return 0.0, 0.0
    along = (surface.points[rows] - point) @ axis
    bins = np.floor(along / STEP_MM).astype(int)
    count = np.bincount(bins - bins.min())
    expect = 2 * np.pi * radius * STEP_MM / surface.cell_area
    busy = np.flatnonzero(count > 0.15 * expect)
    if not len(busy):
        return 0.0, 0.0
    busy = busy + bins.min()
    groups = np.split(busy, np.flatnonzero(np.diff(busy) > gap / STEP_MM) + 1)
    best = min(groups, key=lambda g: max(g[0], -g[-1], 0))
    return float(best[0] * STEP_MM), float((best[-1] + 1) * STEP_MM)


def mostly_skin(along: Array, low: float, high: float, step: float = 5.0) -> bool:
    """Whether points (n,) along the axis leave less than half of the run empty: two tabs with round ends are no sleeve,
    though a bore may be seen at its ends alone."""
    bins = np.histogram(along, bins=max(1, round((high - low) / step)), range=(low, high))[0]
    return bool((bins > 0).mean() >= 0.5)


def gap_between(tube: Feature, other: Feature) -> float:
    """Length in mm that is missing between two pieces of one tube; inf where they are none: where both end square, as
    two bushes in line do, or lie askew, aside or in each other."""
    d, alike = other.point - tube.point, tube.detail["facing"] == other.detail["facing"]
    along = float(d @ tube.axis)
    gap = abs(along) - (tube.length + other.length) / 2
    aside = np.linalg.norm(d - along * tube.axis) > 0.2 * tube.diameter + 0.005 * abs(along)
    askew = abs(tube.axis @ other.axis) < SAME_AXIS or abs(other.diameter / tube.diameter - 1) > 0.15
    ends = "low_open", "high_open"
    near = tube.detail[ends[int(along > 0)]], other.detail[ends[int(along * (tube.axis @ other.axis) < 0)]]
    return gap if alike and gap > 0 and not (aside or askew) and max(near) > 0 else np.inf
