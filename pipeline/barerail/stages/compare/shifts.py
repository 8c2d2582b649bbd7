"""Points of both scans matched, and how far each one moved."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import chi2

from barerail.asked import CompareSettings
from barerail.geometry.matching import Links, assign, links, tree
from barerail.records import KINDS, TWO_FACED, Array, Frozen, MountPoint, Shift

from .budget import PoseBudget

CHANCE = 0.05
"""Chance that any one of all points is called moved though none did (convention of 95 %)."""
SHEET_MM = 10.0
"""Standard uncertainty along its axis of a hole that one scan saw from the other side of its sheet."""
SCANNED_MM = 20.0
TELLS_MM = 0.05
"""Least component in words, where it rounds to more than 0.0 mm."""
MOVED, STILL, LOST, UNSEEN = "moved", "no movement above U", "not found", "not scanned"


def matched(before: Sequence[MountPoint], after: Sequence[MountPoint], reach: float) -> list[tuple[int, int]]:
    """Rows of the same feature in both, kind by kind, the least sum of distances; tubes by their nearest points, nodes
    by their tubes."""
    if not before or not after:
        return []
    chosen = _by_place(before, after, reach)
    name = {before[i].name: after[j].name for i, j in chosen}
    nodes = {frozenset(q.tubes): j for j, q in enumerate(after) if q.tubes}
    same = [(i, nodes.get(frozenset(name.get(t, "") for t in p.tubes), -1)) for i, p in enumerate(before) if p.tubes]
    near = [(i, j) for i, j in same if j >= 0 and np.linalg.norm(_off(before[i], after[j])) <= reach]
    return sorted(chosen + near)


def _by_place(before: Sequence[MountPoint], after: Sequence[MountPoint], reach: float) -> list[tuple[int, int]]:
    kind = [np.array([KINDS.index(p.kind) for p in points]) for points in (before, after)]
    place = [np.array([p.position for p in points]) for points in (before, after)]
    slid = max((p.length for p in (*before, *after) if p.kind == "tube" and np.isfinite(p.length)), default=0.0)
    near = links(tree(place[0], kind[0]), tree(place[1], kind[1]), reach + slid)
    keep = [k for k, (i, j) in enumerate(zip(near.a, near.b)) if _beside(before[i], after[j], reach)]
    near = Links(near.a[keep], near.b[keep])
    distance = np.array([np.linalg.norm(_off(before[i], after[j])) for i, j in zip(near.a, near.b)])
    chosen = assign(near, distance / reach, (len(before), len(after)), unmatched=1.0)
    pairs = zip(near.a[chosen].tolist(), near.b[chosen].tolist())
    return [(i, j) for i, j in pairs if not (before[i].tubes and after[j].tubes)]


def _beside(a: MountPoint, b: MountPoint, reach: float) -> bool:
    """Whether b lies within `reach` mm of a; of two tubes, that of their lines, where they run beside each other."""
    d = b.position - a.position
    if a.kind != "tube":
        return bool(np.linalg.norm(d) <= reach)
    apart = abs(float(a.axis @ d)) - np.nansum([a.length, b.length]) / 2
    return bool(np.linalg.norm(_off(a, b)) <= reach and apart <= reach)


def _off(a: MountPoint, b: MountPoint) -> Array:
    d: Array = b.position - a.position
    return d - a.axis * (a.axis @ d) if _slides(a) else d


def _slides(p: MountPoint) -> bool:
    """Whether the place along its axis is no property of the part, but of what was seen of it."""
    return p.kind in ("tube", "rail")


def _held(p: MountPoint) -> Array:
    """Projector (3, 3) on the directions in which its place is the part's own and not that of what was seen: across a
    tube or rail, off a face, whose outline ends where the scan does or at what is welded on."""
    along = np.outer(p.axis, p.axis)
    return along if p.kind == "face" else np.eye(3) - along if _slides(p) else np.eye(3)


def shifts(
    before: Sequence[MountPoint],
    after: Sequence[MountPoint],
    pairs: Sequence[tuple[int, int]],
    budget: PoseBudget,
    scanned: Array,
    settings: CompareSettings,
) -> list[Shift]:
    """A shift for every point of before, in its order; scanned (m, 3): the later scan's surface in car axes.

    moved: d' C^-1 d above the chi-square that all points together pass by chance once in twenty. How the frame stood is
    in C and U; where that is not known no verdict is proven. Where nothing can be said of it, its share of U is nan.
    """
    partner = dict(pairs)
    parts, supported = budget.at(np.array([p.position for p in before]).reshape(-1, 3)), settings.stood_mm is None
    supports = np.full_like(parts.supports, np.nan) if settings.stood_mm and budget.stood is None else parts.supports
    chance = CHANCE / max(len(pairs), 1)
    surface = cKDTree(scanned)
    spans = _spans([p.position for p in before]) if pairs else {}
    out = []
    for i, p in enumerate(before):
        limit = settings.limits.get(p.name, settings.limit_mm)
        if i in partner:
            known = Known(parts.whole[i], parts.drift[i], supports[i], supported)
            out.append(_shift(p, after[partner[i]], known, chance, limit, spans))
        else:
            seen = surface.query(p.position)[0] < SCANNED_MM
            out.append(lost(p, LOST if seen else UNSEEN, limit))
    return out


@dataclass(frozen=True, eq=False)
class Known(Frozen):
    """What pose, drift and supports give to one shift: covariances (3, 3); supported: both ways of standing known."""

    whole: Array
    drift: Array
    supports: Array
    supported: bool


def _shift(
    p: MountPoint, q: MountPoint, known: Known, chance: float, limit: float | None, spans: Mapping[str, float]
) -> Shift:
    d, cov, held = _moved(p, q, known.whole)
    far = float(d @ np.linalg.pinv(cov, hermitian=True) @ d) > float(chi2.ppf(1 - chance, round(np.trace(held))))
    told, way = d, _way(d, cov)
    size, u = float(np.linalg.norm(d)), _along(way, cov)
    judged = verdict(size, u, limit, known.supported)
    if far and judged == "not proven" and limit is not None and known.supported and _surely(d, cov) > limit:
        judged = "outside"
    if far and size <= u:
        told = _told(d, cov)
        way = _way(told, cov)
        size, u = float(np.linalg.norm(told)), _along(way, cov)
    sure = far and size > u
    words = _words(p, told, cov, spans) if sure else ""
    return Shift(p.name, p.kind, p.side, p.position, d, told, cov, size, u, MOVED if sure else STILL, limit,
                 judged, words, _along(way, known.drift), _along(way, known.supports))  # fmt: skip


def _moved(p: MountPoint, q: MountPoint, whole: Array) -> tuple[Array, Array, Array]:
    """Shift (3,) and its covariance (3, 3), both in the directions that p holds, and the projector on those. A face
    whose outline came out further aside takes the tilt of its plane along."""
    held, d = _held(p), q.position - p.position
    cov = p.cov_local + q.cov_local + whole
    if p.kind == "face":
        aside = d - held @ d
        cov = cov + float(aside @ (p.cov_axis + q.cov_axis) @ aside) * held
    if p.face != q.face and p.kind in TWO_FACED:
        cov = cov + SHEET_MM**2 * np.outer(p.axis, p.axis)
    cov = held @ cov @ held
    np.fill_diagonal(cov, np.maximum(np.diag(cov), 0.0))
    return held @ d, cov, held


def _told(d: Array, cov: Array) -> Array:
    """The part of shift d (3,) along those principal axes of its covariance where it is above its U (k = 2); d itself
    where it is above none. A hole seen from the other side of its sheet tells nothing along its axis, but across it."""
    parts, u, axes = _principal(d, cov)
    above = np.abs(parts) > u + 1e-9
    return axes @ (parts * above) if above.any() else d


def _surely(d: Array, cov: Array) -> float:
    """The most by which shift d (3,) is above its U (k = 2) along a principal axis of its covariance, mm: it is as long
    as that, however loose the others are."""
    parts, u, _ = _principal(d, cov)
    return float((np.abs(parts) - u).max())


def _principal(d: Array, cov: Array) -> tuple[Array, Array, Array]:
    """Components (3,) of d along the principal axes of its covariance, their U (k = 2), and those axes, columns."""
    variance, axes = np.linalg.eigh(cov)
    return axes.T @ d, 2 * np.sqrt(np.maximum(variance, 0.0)), axes


def _way(d: Array, cov: Array) -> Array:
    """Direction (3,) of a shift; of none at all, the one its covariance is loosest in."""
    size = float(np.linalg.norm(d))
    loosest: Array = np.linalg.eigh(cov)[1][:, -1]
    return d / size if size > 0 else loosest


def _along(way: Array, cov: Array) -> float:
    """U (k = 2) in mm along a unit vector (3,)."""
    return 2 * float(np.sqrt(max(float(way @ cov @ way), 0.0)))


def lost(p: MountPoint, why: str, limit: float | None) -> Shift:
    """The row of a point that the later scan doesn't show."""
    nan = float("nan")
    unknown = np.full((3, 3), nan)
    state = "" if limit is None else "not proven"
    return Shift(p.name, p.kind, p.side, p.position, unknown[0], unknown[0], unknown, nan, nan, why, limit, state)


def verdict(size: float, u: float, limit: float | None, supported: bool = True) -> str:
    """within, outside or not proven, with a guard band of U inside the limit (JCGM 106:2012, 8.3.2).

    Not proven at best where nobody knows how the frame stood."""
    if limit is None:
        return ""
    if not supported:
        return "not proven"
    return "within" if size + u <= limit else "outside" if size - u > limit else "not proven"


def _spans(places: Sequence[Array]) -> dict[str, float]:
    """Where the front and the rear third of all points begin, and the middle height."""
    table = np.array(places).reshape(-1, 3)
    low, high = table.min(axis=0), table.max(axis=0)
    return {
        "rear": float(low[0] + (high[0] - low[0]) / 3),
        "front": float(high[0] - (high[0] - low[0]) / 3),
        "upper": float((low[2] + high[2]) / 2),
    }


def _words(p: MountPoint, d: Array, cov: Array, spans: Mapping[str, float]) -> str:
    """`upper rear left: 1.8 ± 0.4 mm inboard`: components above their own U, the largest first."""
    x, y, z = p.position
    along = "rear" if x < spans["rear"] else "front" if x > spans["front"] else "middle"
    place = f"{'upper' if z > spans['upper'] else 'lower'} {along} {dict(L='left', R='right').get(p.side, 'centre')}"
    sides = ("left", "right") if p.side == "C" else ("outboard", "inboard") if y > 0 else ("inboard", "outboard")
    ways = (("forward", "rearward"), sides, ("up", "down"))
    u = 2 * np.sqrt(np.diag(cov))
    parts = [(abs(v), u[k], ways[k][int(v < 0)]) for k, v in enumerate(d) if abs(v) > max(u[k], TELLS_MM)]
    told = [
        f"{size:.1f} ± {np.ceil(10 * spread - 1e-6) / 10:.1f} mm {way}" for size, spread, way in sorted(parts)[::-1]
    ]
    askew = f"{np.linalg.norm(d):.1f} ± {np.ceil(10 * _along(_way(d, cov), cov) - 1e-6) / 10:.1f} mm, askew to the axes"
    return f"{place}: {', '.join(told) or askew}"
