"""Level: pitch and height from the undersides of the rails, or what stands in for them."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.frames import direction, transform
from barerail.records import Array, Features, Frozen

from .surface import Surface
from .tube_undersides import undersides

LONG = 200.0
LEVEL = np.cos(np.radians(12.0))
ALONG = np.cos(np.radians(20.0))
PARALLEL = np.radians(0.4)
STEP = 15.0
"""Heights in mm closer than this make one level."""
SAME = 1.0
"""Faces of one side that line up this well, mm, are pieces of one face and level the car by their distance, too."""
SIDE = 50.0
TWIN, STRIP = 30.0, 50.0
"""How far in mm across and in height a face may lie from the mirror image of its twin: damage moves rails."""


@dataclass(frozen=True, eq=False)
class Low(Frozen):
    """A long low thing in rough car axes, mm: a point of its underside at its middle, and dz/dx there.

    kind: face, tube or surface. u_height, u_slope: standard uncertainties of the fit.
    """

    kind: str
    at: Array
    slope: float
    u_height: float
    u_slope: float
    length: float

    @property
    def left(self) -> bool:
        return bool(self.at[1] > 0)


@dataclass(frozen=True, eq=False)
class Level(Frozen):
    """The level in rough car axes: z = height + slope (x - x0); cov (2, 2) of (height, slope).

    used: all lows that run parallel; lowest: those that make z = 0. residual: of each used one's own slope, mm at its
    ends. sides: height at x0 and slope of the left and of the right side.
    """

    height: float
    slope: float
    x0: float
    cov: Array
    used: tuple[Low, ...]
    lowest: tuple[Low, ...]
    residual: Array
    sides: Array
    kind: str


def lows_of(features: Features, surface: Surface, rough: Array, hidden: bool = False) -> tuple[Low, ...]:
    """Undersides of long faces, or of a tube frame's rails where these lie lower; without them on both sides, of long
    tubes; without them, each side's lowest surface.

    Rough car axes. `hidden`: also what has something else right below it. DataError where there is none of it.
    """
    rails = tuple(Low("tube", *line) for line in undersides(features, rough))
    some: list[Low] = []
    for found in (_faces(features, rough), _tubes(features, rough), _surfaces(surface, rough)):
        parallel = _parallel(_on_both_sides(found if hidden else _undermost(found)))
        both = len({p.left for p in parallel}) == 2
        if rails and not (both and _lie_under(tuple(parallel), rails)):
            return rails
        if both:
            return tuple(parallel)
        some = some or parallel
    if not some:
        raise DataError(
            f"datum: nothing of {LONG:.0f} mm lies along the car to level it by; scan the rail undersides of both sides"
        )
    return tuple(some)


def _lie_under(faces: tuple[Low, ...], rails: tuple[Low, ...]) -> bool:
    """Whether the faces' lowest level lies under the rails, seen along the faces: tubes above are a cage's."""
    slope = float(np.mean([p.slope for p in faces]))
    low, tube = (np.mean([p.at[2] - slope * p.at[0] for p in g]) for g in (lowest_of(faces), rails))
    return bool(low < tube)


def _faces(features: Features, rough: Array) -> list[Low]:
    out = []
    for p in features.planes:
        u, v, n = direction(rough, p.axes)
        if p.extent[0] < LONG or abs(u[0]) < ALONG or abs(n[2]) < LEVEL or n[2] > 0:
            continue
        u_slope = float(np.hypot(v[0] * np.sqrt(p.cov[1, 1]), u[0] * np.sqrt(p.cov[2, 2])))
        at = transform(rough, p.centre)
        out.append(Low("face", at, float(-n[0] / n[2]), float(np.sqrt(p.cov[0, 0])), u_slope, p.extent[0]))
    return [low for low in out if abs(low.at[1]) > SIDE]


def _tubes(features: Features, rough: Array) -> list[Low]:
    out = []
    for f in features.found:
        if f.kind != "tube" or f.length < LONG:
            continue
        at, axis = transform(rough, f.point), direction(rough, f.axis)
        if abs(axis[0]) < LEVEL or abs(at[1]) < SIDE:
            continue
        up = rough[2, :3]
        u = float(np.sqrt(up @ f.cov @ up + f.u_diameter**2 / 4)), float(np.sqrt(up @ f.cov_axis @ up))
        out.append(Low("tube", at - [0, 0, f.diameter / 2], float(axis[2] / axis[0]), *u, f.length))
    return out


def _surfaces(surface: Surface, rough: Array) -> list[Low]:
    """Each side's lowest surface: the line that holds most of the lowest level spots of every 50 mm along the car."""
    level = np.abs(surface.normals @ rough[2, :3]) > LEVEL
    p = transform(rough, surface.points[level] + surface.middle)
    sides = [p[p[:, 1] > SIDE], p[p[:, 1] < -SIDE]]
    return [low for side in sides if (low := _lowest_line(side)) is not None]


def _lowest_line(p: Array) -> Low | None:
    strip = np.floor(p[:, 0] / STRIP)
    order = np.lexsort((p[:, 2], strip))
    first = order[np.flatnonzero(np.diff(strip[order], prepend=np.inf))]
    x, y, z = p[first].T
    used = _on_one_line(x, z)
    if used.sum() * STRIP < LONG:
        return None
    middle, run = float(x[used].mean()), float(np.ptp(x[used]))
    slope, height = np.polyfit(x[used] - middle, z[used], 1)
    u = float(np.std(z[used] - slope * (x[used] - middle))) / float(np.sqrt(used.sum())) + 1e-3
    at = np.array([middle, y[used].mean(), height])
    return Low("surface", at, float(slope), u, 3.5 * u / run, run)


def _on_one_line(x: Array, z: Array) -> NDArray[np.bool_]:
    """The places (n,) within 1 mm of the line through two of them that holds most."""
    best = np.zeros(len(x), bool)
    for i in range(len(x)):
        far = np.flatnonzero(x > x[i] + LONG)
        slope = (z[far] - z[i]) / (x[far] - x[i])
        on = np.abs(z - z[i] - slope[:, None] * (x - x[i])) < SAME
        if len(far) and on.sum(1).max() > best.sum():
            best = on[on.sum(1).argmax()]
    return best


def _undermost(lows: list[Low]) -> list[Low]:
    """Without what has another one right below it: flanges, upper faces."""
    return [a for a in lows if not any(_below(b, a) for b in lows)]


def _below(b: Low, a: Low) -> bool:
    overlap = abs(a.at[0] - b.at[0]) < 0.4 * (a.length + b.length)
    drop = a.at[2] - b.at[2] - a.slope * (a.at[0] - b.at[0])
    return overlap and abs(a.at[1] - b.at[1]) < 100.0 and 2.0 < drop < 300.0


def _on_both_sides(lows: list[Low]) -> list[Low]:
    """Those with a mirror image: what one side alone has is a bracket or clutter; all of them where none has one."""
    twins = [a for a in lows if any(_twins(a, b) for b in lows)]
    return twins or lows


def _twins(a: Low, b: Low) -> bool:
    overlap = abs(a.at[0] - b.at[0]) < 0.4 * (a.length + b.length)
    rise = a.at[2] - b.at[2] - a.slope * (a.at[0] - b.at[0])
    return overlap and abs(a.at[1] + b.at[1]) < TWIN and abs(rise) < TWIN and abs(a.slope - b.slope) < 4 * PARALLEL


def _parallel(lows: list[Low]) -> list[Low]:
    """Those within 0.4 degrees of the slope that most length of both sides shares: kicked-up pieces are left out."""

    def shared(slope: float) -> tuple[float, float]:
        sides = [sum(p.length for p in lows if p.left == s and abs(p.slope - slope) < PARALLEL) for s in (True, False)]
        return min(sides), sum(sides)

    if not lows:
        return []
    best = max((p.slope for p in lows), key=shared)
    return [p for p in lows if abs(p.slope - best) < PARALLEL]


def level_of(
    lows: tuple[Low, ...], drift_mm: float, drift_mm_per_m: float, lowest: tuple[Low, ...] | None = None
) -> Level:
    """The mean of the left and of the right side's line, so that a twist doesn't pitch the car.

    A side's slope: weighted least squares of the slopes of its faces and of the heights of pieces that line up. Weights
    1 / (u^2 + drift), with drift_mm at each height and sqrt(2) drift_mm over its length for a slope; misfits beyond
    that widen the result. On top, drift_mm_per_m is an error of slope that all faces share, and doesn't average out.
    """
    lowest = lowest or lowest_of(lows)
    x0 = float(np.average([p.at[0] for p in lowest], weights=[p.length for p in lowest]))
    sides = [s for s in (True, False) if any(p.left == s for p in lowest)]
    lines = [_side([p for p in lows if p.left == s], [p for p in lowest if p.left == s], x0, drift_mm) for s in sides]
    values = np.array([line[:2] for line in lines])
    cov = sum(line[2] for line in lines) / len(lines) ** 2
    cov = cov + np.diag([0.0, (drift_mm_per_m / 1000) ** 2])
    height, slope = values.mean(0)
    residual = np.array([(p.slope - slope) * p.length / 2 for p in lows])
    return Level(height, slope, x0, cov, lows, lowest, residual, values, lows[0].kind)


def levels_of(lows: tuple[Low, ...]) -> list[tuple[Low, ...]]:
    """The lows by height, lowest first: a gap of 15 mm starts a new level."""
    slope = float(np.average([p.slope for p in lows], weights=[p.length for p in lows]))
    ranked = sorted(lows, key=lambda p: p.at[2] - slope * p.at[0])
    height = np.array([p.at[2] - slope * p.at[0] for p in ranked])
    cuts = [0, *(np.flatnonzero(np.diff(height) > STEP) + 1).tolist(), len(ranked)]
    return [tuple(ranked[a:b]) for a, b in pairwise(cuts)]


def lowest_of(lows: tuple[Low, ...]) -> tuple[Low, ...]:
    """The lowest level that both sides share; the lowest one where none is."""
    levels = levels_of(lows)
    return next((g for g in levels if len({p.left for p in g}) == 2), levels[0])


def _side(lows: list[Low], lowest: list[Low], x0: float, drift: float) -> tuple[float, float, Array]:
    """Height at x0 and slope of one side, and their covariance (2, 2)."""
    weight = np.array([1 / (p.u_slope**2 + 2 * (drift / p.length) ** 2) for p in lows])
    first = float(np.average([p.slope for p in lows], weights=weight))
    group = _pieces(lows, first)
    rows = np.zeros((2 * len(lows), int(group.max()) + 2))
    rows[: len(lows), 0] = [p.at[0] - x0 for p in lows]
    rows[np.arange(len(lows)), group + 1] = 1.0
    rows[len(lows) :, 0] = 1.0
    seen = np.array([p.at[2] for p in lows] + [p.slope for p in lows])
    w = np.concatenate([[1 / (p.u_height**2 + drift**2) for p in lows], weight])
    cov = np.linalg.inv((rows * w[:, None]).T @ rows)
    best = cov @ rows.T @ (w * seen)
    spare = len(seen) - rows.shape[1]
    cov *= max(1.0, float(w @ (seen - rows @ best) ** 2) / max(spare, 1))
    pick = np.zeros((2, rows.shape[1]))
    pick[1, 0] = 1.0
    for p in lowest:
        pick[0, group[lows.index(p)] + 1] += p.length
    pick[0] /= pick[0].sum()
    return float(pick[0] @ best), float(best[0]), pick @ cov @ pick.T


def _pieces(lows: list[Low], slope: float) -> Array:
    """Number (k,) of the face each one is a piece of: heights within 1 mm of each other along `slope`."""
    height = np.array([p.at[2] - slope * p.at[0] for p in lows])
    order = np.argsort(height, kind="stable")
    group = np.zeros(len(lows), int)
    group[order] = np.cumsum(np.concatenate([[0], np.diff(height[order]) > SAME]))
    return group
