"""What a datum by targets rests on: residuals as data, the one that disagrees, and the words."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from barerail.errors import DataError
from barerail.records import Array, NoiseModel, Note

from . import known_points, three_two_one
from .posing import Posed, Target, pose
from .section import Section

ODD = 3.0
"""A target off by more than this many standard uncertainties, as the others put it, is named (judgement)."""


def rows_of(
    method: str, targets: Sequence[Target], used: Sequence[Target], posed: Posed, weight: Array, noise: NoiseModel
) -> list[dict[str, Any]]:
    """A row a target: asked, read, residual, U of the reading (k = 2), weight; with known points what it pulls."""
    by = {id(t): m for m, t in enumerate(used)}
    pull = known_points.pulls(used, posed, weight, noise) if method == "known-points" else None
    out = []
    for t in targets:
        m = by.get(id(t))
        u = np.sqrt(t.variance(posed.frame) + noise.drift_mm**2)
        row: dict[str, Any] = {"place": t.words, "axis": "xyz"[t.axis], "asked_mm": t.value}
        if method == "three-two-one":
            row["level"] = three_two_one.NAMES[t.level]
        row |= {
            "read_mm": _mm(t.read(posed.frame)),
            "residual_mm": _mm(t.read(posed.frame) - t.value),
            "U_mm": _mm(2 * u),
        }
        row["weight"] = 0.0 if m is None else round(float(weight[m // 3] if pull is not None else 1.0), 3)
        if pull is not None:
            row["without_it_moves_mm"] = None if m is None or np.isnan(pull[m // 3]) else _mm(pull[m // 3])
        out.append(row)
    return out


def _mm(value: float) -> float:
    return round(float(value), 3) + 0.0


def disagreeing(
    method: str, used: Sequence[Target], posed: Posed, weight: Array, noise: NoiseModel, ahead: float
) -> str:
    """Which target disagrees with the rest, in words; empty where none does, or where that can't be told."""
    return (
        _odd_point(used, posed, weight, noise) if method == "known-points" else _odd_target(used, posed, noise, ahead)
    )


def _odd_point(used: Sequence[Target], posed: Posed, weight: Array, noise: NoiseModel) -> str:
    pull = known_points.pulls(used, posed, weight, noise)
    out = [used[3 * k].words for k in range(len(weight)) if weight[k] == 0]
    told = [f"{', '.join(out)}: too far from where the others put it, left without weight"] if out else []
    if np.isfinite(pull).any():
        k = int(np.nanargmax(pull))
        told.append(f"{used[3 * k].words} pulls most: without it the datum moves by up to {pull[k]:.2f} mm")
    return "; ".join(told)


def _odd_target(used: Sequence[Target], posed: Posed, noise: NoiseModel, ahead: float) -> str:
    """The target that the others of its level predict worst, where they are enough to say so."""
    told = []
    for level, columns in enumerate(three_two_one.LEVELS):
        rows = [m for m, t in enumerate(used) if t.level == level]
        if len(rows) - len(columns) < 2 or len({used[m].words for m in rows}) < len(rows):
            continue
        sums, offs = {}, {}
        for m in rows:
            keep = np.arange(len(used)) != m
            try:
                rest = pose(used, posed.frame, three_two_one.LEVELS, noise, keep.astype(float))
            except DataError:
                continue
            others = [k for k in rows if k != m]
            sums[m] = float(np.sum((rest.residual[others] / rest.u[others]) ** 2))
            offs[m] = float(rest.residual[m])
        if sums:
            worst = min(sums, key=lambda m: sums[m])
            if abs(offs[worst]) > ODD * posed.u[worst]:
                off = offs[worst] * (1.0 if used[worst].axis == 2 else ahead)
                told.append(
                    f"{used[worst].words} disagrees with the other {three_two_one.NAMES[level]} targets by "
                    f"{off:+z.2f} mm in {'xyz'[used[worst].axis]}"
                )
    return "; ".join(told)


def origin_words(method: str, used: Sequence[Target], ahead: float) -> str:
    """What x = 0, y = 0 and z = 0 are; `ahead`: 1 where x is counted forward, -1 rearward."""
    if method == "known-points":
        return f"x = 0, y = 0, z = 0: as the known coordinates of {len(used) // 3} features put them"
    return "; ".join(
        f"{'xyz'[axis]} = 0: {_level_words([t for t in used if t.level == level and t.axis == axis], sign)}"
        for level, axis, sign in ((2, 0, ahead), (1, 1, ahead), (0, 2, 1.0))
    )


def _level_words(targets: Sequence[Target], sign: float) -> str:
    said = dict.fromkeys(f"{t.words} at {sign * t.value:g} mm" if t.value else t.words for t in targets)
    how = "best fit of " if len(targets) > 3 - targets[0].level and len(said) > 1 else ""
    return how + ", ".join(said)


def notes_of(odd: str, section: Section | None, ahead: float) -> tuple[Note, ...]:
    out = [Note("datum", odd, warning=True)] if "disagrees" in odd or "without weight" in odd else []
    if section:
        text = f"the datum rests on the reference section alone, {section.words(ahead)}"
        out.append(Note("datum", f"{text} in a datum of the whole"))
    return tuple(out)
