"""Rails as they run: which segments follow each other, which run side by side, and which are the frame's."""

from collections.abc import Sequence

import numpy as np

from barerail.geometry.neighbours import components
from barerail.records import Array, Rail
from barerail.stages.fit.sections import Segment

ALIKE, APART_MM, CROSS_MM = np.cos(np.radians(30)), 200.0, 1000.0


def chained(segments: list[Segment], reach: float = 450.0) -> list[list[Segment]]:
    """Segments that follow each other end to end, as a kicked-up rail does."""
    first, second = [], []
    for i, s in enumerate(segments):
        for j in range(i + 1, len(segments)):
            if _follows(s, segments[j], reach):
                first.append(i)
                second.append(j)
    label = components(len(segments), np.array(first, np.int64), np.array(second, np.int64))
    return [[segments[i] for i in np.flatnonzero(label == k)] for k in range(label.max() + 1)] if segments else []


def _follows(s: Segment, t: Segment, reach: float) -> bool:
    gaps = t.ends[None] - s.ends[:, None]
    distance = np.linalg.norm(gaps, axis=2)
    a, b = np.unravel_index(np.argmin(distance), (2, 2))
    gap = gaps[a, b]
    if distance[a, b] > reach or abs(s.axes[0] @ t.axes[0]) < np.cos(np.radians(50)):
        return False
    ahead = abs(gap @ s.axes[0]) > 0.5 * distance[a, b] and abs(gap @ t.axes[0]) > 0.5 * distance[a, b]
    return bool(ahead or distance[a, b] < 60.0)


def side_by_side(rails: Sequence[Rail], least_mm: float = CROSS_MM) -> bool:
    """Whether two rails longer than a cross member run the same way beside each other, as left and right ones do."""
    ends = [np.array([r.stations[0].centre, r.stations[-1].centre]) for r in rails]
    ends = [e for e in ends if np.linalg.norm(e[1] - e[0]) > least_mm]
    return any(_beside(a, b) for i, a in enumerate(ends) for b in ends[i + 1 :])


def reach(rail: Rail) -> float:
    """Length in mm from the first station to the last."""
    return float(np.linalg.norm(rail.stations[-1].centre - rail.stations[0].centre))


def _beside(a: Array, b: Array) -> bool:
    """For two rails, their ends (2, 3): within 30 degrees, a common stretch, and APART_MM apart there."""
    length = float(np.linalg.norm(a[1] - a[0]))
    way, other = (a[1] - a[0]) / length, b[1] - b[0]
    low, high = sorted((b - a[0]) @ way)
    off = b.mean(0) - a[0]
    apart = np.linalg.norm(off - (off @ way) * way)
    return bool(abs(other @ way) > ALIKE * np.linalg.norm(other) and low < length and high > 0 and apart > APART_MM)


def main_rails(rails: list[Rail]) -> tuple[Rail, ...]:
    """Those at least half as long as the longest and running its way."""
    if not rails:
        return ()
    length = [reach(r) for r in rails]
    longest = rails[int(np.argmax(length))]
    way = longest.stations[-1].centre - longest.stations[0].centre
    way /= np.linalg.norm(way)
    kept = []
    for rail, long in zip(rails, length, strict=True):
        run = (rail.stations[-1].centre - rail.stations[0].centre) / max(long, 1e-9)
        if long >= 0.5 * max(length) and abs(run @ way) > ALIKE:
            kept.append(rail)
    return tuple(sorted(kept, key=lambda r: (-len(r.stations), *r.stations[0].centre)))
