"""Where x = 0 lies: the best-determined left/right pair, or what stands in for it, and the words that name it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.geometry.mirror import KINDS, Pair
from barerail.records import Array, Feature, Frozen

KIND_WORDS = {"hole": "round holes", "slot": "slots", "stud": "studs", "bolt-axis": "bolt axes", "sleeve": "sleeves"}
MIDDLE_U = 100.0
"""How far, 1 sd in mm, the middle of what was seen may lie from where another scan puts it (judgement)."""
TIE = 2.0
"""Pairs whose u along the car is within this many times the best one's are as good: u is itself known to about half
(judgement). Among them the choice rests on what noise hardly moves."""
ALIKE_MM = 1.0
"""Holes by no more than this smaller than the largest are as large: less than sizes of drills and punches differ by
where they are large (judgement), more than a scan is off by."""
STEP = 50.0
"""Steps in mm in which distances from the middle of the pairs are compared (judgement)."""
ONE = {"hole": "round hole", "slot": "slot", "stud": "stud", "bolt-axis": "bolt axis", "sleeve": "sleeve"}


@dataclass(frozen=True, eq=False)
class Origin(Frozen):
    """x = 0 in a frame that is right but for its x: `x` there, standard uncertainty u, and the features it rests on.

    features: none where nothing but the middle of the scan was there to take.
    """

    x: float
    u: float
    features: tuple[int, ...]
    words: str


def origin_of(pairs: tuple[Pair, ...], found: tuple[Feature, ...], frame: Array, drift_mm: float) -> Origin:
    """The pair whose mid-point is best known along the car, holes first; else one feature; else the scan's middle.

    Known: by its fits, by how well its two sides lie at the same x, as the pairs go (a diamond moves them all), and
    by the scanner's drift. Of pairs as good as the best (`TIE`) and about as large as the largest, the most central.
    """
    ahead = frame[0, :3]
    apart: dict[tuple[int, ...], float] = {
        (p.left, p.right): float(ahead @ (found[p.left].point - found[p.right].point)) for p in pairs
    }
    usual = float(np.median(list(apart.values()))) if apart else 0.0

    def variance(rows: tuple[int, ...]) -> float:
        fits = float(sum(ahead @ found[i].cov @ ahead for i in rows)) / len(rows) ** 2
        return fits + (apart.get(rows, usual) - usual) ** 2 / 4 + drift_mm**2

    choices: list[tuple[int, ...]] = [(p.left, p.right) for p in pairs]
    choices = choices or [(i,) for i, f in enumerate(found) if f.kind in KINDS and np.all(np.isfinite(f.cov))]
    if not choices:
        return Origin(0.0, MIDDLE_U, (), "the middle of what was scanned (no feature to take was seen)")
    holes = [c for c in choices if found[c[0]].kind == "hole"]
    return resting_on(_steady(holes or choices, variance, found, ahead), found, frame, drift_mm)


def _steady(
    choices: list[tuple[int, ...]],
    variance: Callable[[tuple[int, ...]], float],
    found: tuple[Feature, ...],
    ahead: Array,
) -> tuple[int, ...]:
    """Of the choices as well known as the best and as large as the largest, the most central, then rearmost one."""
    var = {c: variance(c) for c in choices}
    limit = TIE**2 * min(var.values())
    x = {c: float(np.mean([ahead @ found[i].point for i in c])) for c in choices}
    size = {c: float(np.mean([found[i].diameter for i in c])) for c in choices if var[c] <= limit}
    middle = float(np.median(list(x.values())))
    large = [c for c in size if not size[c] < max(size.values()) - ALIKE_MM]
    return min(large, key=lambda c: (round(abs(x[c] - middle) / STEP), x[c]))


def resting_on(rows: tuple[int, ...], found: tuple[Feature, ...], frame: Array, drift_mm: float) -> Origin:
    """Origin half-way between features `rows`; u: of the fits and of the scanner's drift there."""
    at = np.array([transform(frame, found[i].point) for i in rows])
    covs = [frame[0, :3] @ found[i].cov @ frame[0, :3] for i in rows]
    u = float(np.sqrt(sum(covs) / len(rows) ** 2 + drift_mm**2))
    return Origin(float(at[:, 0].mean()), u, rows, _words(at, [found[i] for i in rows], frame))


def _words(at: Array, features: list[Feature], frame: Array) -> str:
    f = features[0]
    size = f"of {np.mean([g.diameter for g in features]):.1f} mm"
    up = float(at[:, 2].mean())
    height = "level with z = 0" if abs(up) < 0.5 else f"{abs(up):.0f} mm {'above' if up > 0 else 'below'} z = 0"
    facing = _facing(direction(frame, f.axis), float(at[0, 1]))
    if len(features) == 1:
        return f"the {ONE[f.kind]} {size}{facing} at y = {at[0, 1]:z.0f} mm, {height} (no left/right pair was seen)"
    pair = f"the mid-point of the left/right pair of {KIND_WORDS[f.kind]} {size}{facing}"
    return f"{pair}, {np.abs(at[:, 1]).mean():.0f} mm to either side, {height}"


def _facing(axis: Array, y: float) -> str:
    k = int(np.argmax(np.abs(axis)))
    if abs(axis[k]) < 0.8:
        return ""
    if k == 1:
        return " that face outboard" if axis[1] * y > 0 else " that face inboard"
    return " that face " + ((("aft", "forward"), (), ("down", "up"))[k][int(axis[k] > 0)])
