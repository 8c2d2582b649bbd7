"""The recipe of a datum, and the same datum again on a later scan of the same car."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import direction, rigid, transform
from barerail.geometry.mirror import KINDS, SMALL, Mirror
from barerail.records import Array, Feature, Features, Frozen

from .frame import levelled, rough_frame
from .surface import Surface
from .vertical import Level, level_of, levels_of, lows_of

RULE = "symmetry"
AHEAD, ASIDE = 4.0, 6.0
"""How far in mm a feature may lie from its place in the recipe along the car, and across it or in height: what two
scans differ by, well under the distance of holes."""
FEWEST = 3
ALIKE, ACROSS = 0.9, 0.3
"""Least cosine of axes that are one; most cosine to the car's length of an axis whose hole has one x on both faces."""
SIDELESS = ("bolt-axis", "sleeve")


@dataclass(frozen=True)
class Stand:
    """x that the origin's features read, and z that the undersides of the rails read, mm."""

    x: float = 0.0
    z: float = 0.0


def recipe_of(
    found: tuple[Feature, ...],
    frame: Array,
    level: str,
    origin: tuple[int, ...],
    assumed: tuple[str, ...],
    stand: Stand,
    reference: tuple[float, float] | None,
) -> dict[str, Any]:
    """Rule, level and every feature with its place; `target_mm` what the datum makes a feature read, null free."""
    rows = [i for i, f in enumerate(found) if f.kind in KINDS and np.all(np.isfinite(f.point))]
    return {
        "rule": RULE,
        "words": "y = 0 mirror plane of surface and pairs; z = 0 lowest long undersides, mean of both sides; "
        "x = 0 mid-point of the features with a target",
        "level": level,
        "underside_z_mm": stand.z,
        "reference_x_mm": list(reference) if reference else None,
        "features": [_entry(found[i], frame, i in origin, stand.x) for i in rows],
        "assumed": list(assumed),
    }


def _entry(f: Feature, frame: Array, is_origin: bool, x: float) -> dict[str, Any]:
    at, axis = transform(frame, f.point), direction(frame, f.axis)
    return {
        "kind": f.kind,
        "diameter_mm": round(f.diameter, 3),
        "at_mm": np.round(at, 4).tolist(),
        "axis": np.round(axis, 6).tolist(),
        "target_mm": {"mid_x": x} if is_origin else None,
    }


@dataclass(frozen=True, eq=False)
class Repeat(Frozen):
    """A frame that fits the recipe but for a last touch of x; which features are its origin, and these by the face that
    the recipe took; how many entries fit."""

    rough: Array
    level: Level
    frame: Array
    origin: tuple[int, ...]
    faces: tuple[Feature, ...]
    fits: int
    stand: Stand


def repeat(recipe: Mapping[str, Any], features: Features, surface: Surface, mirror: Mirror, along: Array) -> Repeat:
    """The one of four ways round, each at each level and shift along x, at which the recipe's features are all there.

    UsageError for a recipe that isn't one of this rule; DataError where its features aren't seen, or where two ways
    fit as well as each other.
    """
    pattern = _pattern(recipe)
    stand = _stand(recipe)
    tries = list(_tries(pattern, stand, str(recipe.get("level")), features, surface, mirror, along))
    if not tries:
        raise DataError(f"datum: the recipe levels the car by its {recipe.get('level')}s; this scan shows none of them")
    best = max(tries, key=lambda r: r.fits)
    others = [r for r in tries if not np.allclose(r.frame, best.frame, rtol=0, atol=2.0)]
    rival = max((r.fits for r in others), default=0)
    if best.fits < FEWEST:
        raise DataError(
            f"datum: only {best.fits} of the recipe's {len(pattern)} features are seen in their places, {FEWEST} are "
            "needed; is it the same car, and the same part of it?"
        )
    if best.fits < 1.3 * rival:
        raise DataError(
            f"datum: the recipe fits two ways round ({best.fits} and {rival} of {len(pattern)} features); "
            "scan more of the car"
        )
    missing = sum(e.target for e in pattern) - len(best.origin)
    if missing:
        rests = (
            f"{e.kind} of {e.diameter:.1f} mm at {', '.join(f'{v:z.0f}' for v in e.at)}" for e in pattern if e.target
        )
        raise DataError(
            f"datum: {missing} of the features that the recipe's x = 0 rests on can't be seen ({'; '.join(rests)} mm); "
            "nothing else is taken: scan there, or give a datum whose origin this scan shows"
        )
    return best


@dataclass(frozen=True, eq=False)
class _Entry:
    kind: str
    diameter: float
    at: Array
    axis: Array
    target: bool


def _pattern(recipe: Mapping[str, Any]) -> list[_Entry]:
    if recipe.get("rule") != RULE:
        raise UsageError(f"datum: a recipe of rule {recipe.get('rule')!r} can't be repeated here; {RULE!r} can")
    try:
        rows = [
            _Entry(
                e["kind"],
                float(e["diameter_mm"]),
                np.array(e["at_mm"], float),
                np.array(e["axis"], float),
                bool(e["target_mm"]),
            )
            for e in recipe["features"]
        ]
    except (KeyError, TypeError, ValueError) as e:
        raise UsageError(f"datum: the recipe is damaged ({e}); take it from a finished job's datum.json") from e
    if not any(r.target for r in rows):
        raise DataError("datum: the recipe's x = 0 rests on no feature, so it can't be made again; scan more holes")
    return rows


def _stand(recipe: Mapping[str, Any]) -> Stand:
    targets = [e["target_mm"]["mid_x"] for e in recipe["features"] if e["target_mm"]]
    return Stand(float(targets[0]), float(recipe.get("underside_z_mm", 0.0)))


def _tries(
    pattern: list[_Entry], stand: Stand, kind: str, features: Features, surface: Surface, mirror: Mirror, along: Array
) -> Iterator[Repeat]:
    for up in (1.0, -1.0):
        for ahead in (1.0, -1.0):
            z = up * np.cross(along, mirror.normal)
            x = ahead * along
            rough = rough_frame(np.stack([x, np.cross(z, x), z]), mirror, surface.middle)
            try:
                lows = lows_of(features, surface, rough, hidden=True)
            except DataError:
                continue
            if lows[0].kind == kind:
                for lowest in levels_of(lows):
                    level = level_of(lows, features.noise.drift_mm, features.noise.drift_mm_per_m, lowest)
                    yield _placed(pattern, features.found, rough, level, stand)


def _placed(pattern: list[_Entry], found: tuple[Feature, ...], rough: Array, level: Level, stand: Stand) -> Repeat:
    """The shift along x that brings most entries of the pattern on to a feature, one to one."""
    frame = rigid(np.eye(3), [0.0, 0.0, stand.z]) @ levelled(rough, level)
    links = [(i, j, e.at[0] - at[0]) for i, e in enumerate(pattern) for j, at in _like(e, found, frame)]
    if not links:
        return Repeat(rough, level, frame, (), (), 0, stand)
    shifts = np.array([s for _, _, s in links])
    votes = [len({links[k][0] for k in np.flatnonzero(np.abs(shifts - s) < AHEAD)}) for s in shifts]
    shift = float(np.median(shifts[np.abs(shifts - shifts[int(np.argmax(votes))]) < AHEAD]))
    near = sorted((abs(s - shift), i, j) for i, j, s in links if abs(s - shift) < AHEAD)
    taken: dict[int, int] = {}
    for _, i, j in near:
        if i not in taken and j not in taken.values():
            taken[i] = j
    frame = frame.copy()
    frame[0, 3] += shift
    origin = [(pattern[i], j) for i, j in sorted(taken.items()) if pattern[i].target]
    faces = tuple(f for e, j in origin if (f := _facing(e, found[j], frame)))
    return Repeat(rough, level, frame, tuple(j for _, j in origin), faces, len(taken), stand)


def _like(entry: _Entry, found: tuple[Feature, ...], frame: Array) -> Iterator[tuple[int, Array]]:
    """Features of the entry's kind, size, axis and place but for x: index and place."""
    for j, f in enumerate(found):
        if f.kind == entry.kind and abs(f.diameter - entry.diameter) < SMALL + 2 * f.u_diameter:
            faced = _facing(entry, f, frame)
            if faced is not None:
                at = transform(frame, faced.point)
                if np.all(np.abs(at[1:] - entry.at[1:]) < ASIDE):
                    yield j, at


def _facing(entry: _Entry, f: Feature, frame: Array) -> Feature | None:
    """The feature by the face that the entry has; None where its axis is another, or its x is that of another face."""
    axis = direction(frame, f.axis)
    cosine = float(axis @ entry.axis)
    if abs(cosine) <= ALIKE:
        return None
    if cosine > 0 or f.kind in SIDELESS:
        return f
    if len(f.ends) == 2:
        return replace(f, point=f.ends[int(np.argmax(np.linalg.norm(f.ends - f.point, axis=1)))], axis=-f.axis)
    return f if abs(axis[0]) < ACROSS else None
