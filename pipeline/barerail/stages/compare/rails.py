"""How far each rail moved, station by station."""

from collections.abc import Sequence

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.geometry.tube_pair import frame_rails
from barerail.records import Array, Datum, Features, Rail, RailShift, Station

from .budget import PoseBudget

REACH = 0.7
"""How far along its own straight piece a station may be read, in usual steps."""
ACROSS_MM = 40.0
"""How far off its axis a station may lie and still be of the same rail (judgement)."""
ALIKE = np.cos(np.radians(5.0))
LOOSE_MM2 = 25.0
CENTRE_MM = 20.0


def rail_shifts(
    before: Features, after: Features, car: Datum, pose: Array, budget: PoseBudget
) -> tuple[RailShift, ...]:
    """A curve a rail of `before`, where `after` has stations on it. Across the rail only: along it nothing is seen."""
    rails = frame_rails(before.rails, car.car_from_scan)
    later = [s for rail in after.rails for s in rail.stations]
    there = transform(pose, np.array([s.centre for s in later]).reshape(-1, 3))
    ways = direction(pose, np.array([s.axes for s in later]).reshape(-1, 3, 3))
    out = [_curve(rail, later, there, ways, car, budget) for rail in rails if len(rail.stations) > 1]
    return tuple(sorted((c for c in out if len(c.at) > 1), key=lambda c: (c.side, float(c.at[0, 0]))))


def _curve(
    rail: Rail, later: Sequence[Station], there: Array, ways: Array, car: Datum, budget: PoseBudget
) -> RailShift:
    centres = np.array([s.centre for s in rail.stations])
    step = float(np.median(np.linalg.norm(np.diff(centres, axis=0), axis=1)))
    y = float(np.median(transform(car.car_from_scan, centres)[:, 1]))
    side = "C" if abs(y) < CENTRE_MM else "L" if y > 0 else "R"
    rows = [r for s in rail.stations if (r := _row(s, later, there, ways, car, REACH * step)) is not None]
    if not rows:
        return RailShift(side, *(np.zeros((0, 3)),) * 3, *(np.zeros(0),) * 2)
    rows.sort(key=lambda r: float(r[0][0]))
    at, shift, cov, roll, variance = (np.array(part) for part in zip(*rows))
    u = 2 * np.sqrt(np.einsum("nii->ni", cov + budget.at(at).whole))
    u_roll = 2 * np.sqrt(variance + budget.roll(at))
    blind = np.nan if rail.section == "tube" else 1.0
    return RailShift(side, at, shift, u, np.degrees(roll) * blind, np.degrees(u_roll) * blind)


def _row(
    s: Station, later: Sequence[Station], there: Array, ways: Array, car: Datum, reach: float
) -> tuple[Array, Array, Array, float, float] | None:
    """Place, shift and covariance in car axes, and turn of the section with its variance, of one station."""
    if not len(later) or max(s.cov[0, 0], s.cov[1, 1]) > LOOSE_MM2:
        return None
    off = there - s.centre
    along = off @ s.axes[0]
    across = np.linalg.norm(off - along[:, None] * s.axes[0], axis=1)
    ok = (np.abs(along) < reach) & (across < ACROSS_MM) & (np.abs(ways[:, 0] @ s.axes[0]) > ALIKE)
    if not ok.any():
        return None
    j = int(np.flatnonzero(ok)[np.argmin(np.abs(along[ok]))])
    if max(later[j].cov[0, 0], later[j].cov[1, 1]) > LOOSE_MM2:
        return None
    way = ways[j, 0] / (ways[j, 0] @ s.axes[0])
    shift = there[j] - way * along[j] - s.centre
    m = car.car_from_scan
    ahead = float(np.copysign(1.0, direction(m, s.axes[0])[0]))
    cov = sum(q.T @ c[:2, :2] @ q for q, c in ((s.axes[1:], s.cov), (ways[j, 1:], later[j].cov)))
    return (
        transform(m, s.centre),
        direction(m, shift),
        m[:3, :3] @ cov @ m[:3, :3].T,
        *_turn(s, ways[j], later[j], ahead),
    )


def _turn(s: Station, way: Array, later: Station, ahead: float) -> tuple[float, float]:
    """By how much the section turned about car +x, rad, to the nearest quarter turn, and its variance; nan: round.

    ahead: 1 where the section's own long axis points forward, -1 where it points rearward.
    """
    angle = float(np.arctan2(s.axes[2] @ way[1], s.axes[1] @ way[1]))
    angle -= np.pi / 2 * np.round(angle / (np.pi / 2))
    return ahead * angle, float(s.cov[2, 2] + later.cov[2, 2])
