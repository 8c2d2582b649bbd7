"""From the centre plane to a car frame: signs, level and origin, fresh or as a recipe tells."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from barerail.errors import UsageError
from barerail.geometry.frames import rigid
from barerail.geometry.mirror import Mirror, Pair
from barerail.records import Array, CleanScan, Features, Frozen

from .frame import levelled, rough_frame
from .origin import Origin, origin_of, resting_on
from .recipe import Stand, repeat
from .signs import Hints, front_of, up_of
from .surface import Surface
from .vertical import Level, level_of, lowest_of, lows_of


@dataclass(frozen=True, eq=False)
class Made(Frozen):
    """Car from scan (`rough`: before it was levelled), its level and origin, and how front and up are known.

    level_x: where along x, in the finished frame, the level's height is read.
    """

    frame: Array
    rough: Array
    level: Level
    level_x: float
    origin: Origin
    front: str
    up: str
    assumed: tuple[str, ...]
    stand: Stand


def fresh(
    clean: CleanScan,
    features: Features,
    surface: Surface,
    mirror: Mirror,
    along: Array,
    hints: Hints,
    pairs: tuple[Pair, ...],
    at: tuple[int, ...],
    stand: Stand,
) -> Made:
    """The frame from this scan alone; x from the features `at`, where there are any.

    DataError where nothing levels it, UsageError for hints that can't be.
    """
    z, up = up_of(np.cross(along, mirror.normal), along, hints, clean, features)
    rough = rough_frame(_rows(along, z), mirror, surface.middle)
    lows = lows_of(features, surface, rough)
    reach = surface.points @ along
    ends = (float(np.quantile(reach, 0.002)), float(np.quantile(reach, 0.998)))
    x, front = front_of(along, hints, np.array([p.at[0] for p in lowest_of(lows)]), ends)
    if x @ along < 0:
        rough = rough_frame(_rows(x, z), mirror, surface.middle)
        lows = lows_of(features, surface, rough)
    noise = features.noise
    level = level_of(lows, noise.drift_mm, noise.drift_mm_per_m)
    frame = rigid(np.eye(3), [0.0, 0.0, stand.z]) @ levelled(rough, level)
    named = resting_on(at, features.found, frame, noise.drift_mm) if at else None
    origin = named or origin_of(pairs, features.found, frame, noise.drift_mm)
    guessed = {"front": front.startswith("guessed"), "above": up.startswith("guessed"), "origin": not origin.features}
    return _made(frame, rough, level, origin, front, up, tuple(k for k, v in guessed.items() if v), stand)


def again(
    recipe: Mapping[str, Any], features: Features, surface: Surface, mirror: Mirror, along: Array, hints: Hints
) -> Made:
    """The frame as `recipe` makes it on this scan; its own guesses of front and above stay guesses."""
    found = repeat(recipe, features, surface, mirror, along)
    by_face = list(features.found)
    for i, f in zip(found.origin, found.faces, strict=True):
        by_face[i] = f
    origin = resting_on(found.origin, tuple(by_face), found.frame, features.noise.drift_mm)
    for name, axis, point in (("front", 0, hints.front), ("above", 2, hints.above)):
        if point is not None and found.frame[axis, :3] @ point < 0:
            raise UsageError(f"--{name} contradicts the recipe; leave it out, or set a new datum")
    known = f"as in the recipe ({found.fits} features in their places)"
    assumed = tuple(k for k in recipe.get("assumed", ()) if k in ("front", "above"))
    return _made(found.frame, found.rough, found.level, origin, known, known, assumed, found.stand)


def _rows(x: Array, z: Array) -> Array:
    return np.stack([x, np.cross(z, x), z])


def _made(
    frame: Array,
    rough: Array,
    level: Level,
    origin: Origin,
    front: str,
    up: str,
    assumed: tuple[str, ...],
    stand: Stand,
) -> Made:
    frame = rigid(np.eye(3), [stand.x - origin.x, 0.0, stand.z - (rough_height(frame, rough, level))]) @ frame
    at = frame @ np.linalg.solve(rough, [level.x0, 0.0, level.height, 1.0])
    return Made(frame, rough, level, float(at[0]), origin, front, up, assumed, stand)


def rough_height(frame: Array, rough: Array, level: Level) -> float:
    """z in a frame of the level, where it is read."""
    return float((frame @ np.linalg.solve(rough, [level.x0, 0.0, level.height, 1.0]))[2])
