"""The recipe of a datum by targets, and its targets again on a later scan: features found by their pattern."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import direction, invert, transform
from barerail.geometry.mirror import KINDS
from barerail.records import Array, CleanScan, Feature, Features

from .pattern import Known, registered
from .places import FLOOR_WORD, Finder, Place, face_near
from .posing import Target
from .section import Section

REACH = 6.0
"""How far in mm a feature may lie from its place in the recipe."""


def recipe_of(
    method: str,
    targets: Sequence[Target],
    features: Features,
    frame: Array,
    section: Section | None,
    assumed: Sequence[str],
) -> dict[str, Any]:
    """Rule, the pattern of all features in the datum's axes (x forward, mm), and each target with its places."""
    rows = [i for i, f in enumerate(features.found) if f.kind in KINDS and np.all(np.isfinite(f.point))]
    return {
        "rule": method,
        "words": "each target's places, found again by kind, size and place among the features, read its coordinate",
        "features": [entry(features.found[i], frame) for i in rows],
        "targets": [_target(t, frame, features) for t in targets],
        "reference_x_mm": [section.low, section.high] if section else None,
        "assumed": list(assumed),
    }


def entry(f: Feature, frame: Array) -> dict[str, Any]:
    return {
        "kind": f.kind,
        "diameter_mm": round(f.diameter, 3) if np.isfinite(f.diameter) else None,
        "at_mm": np.round(transform(frame, f.point), 4).tolist(),
        "axis": np.round(direction(frame, f.axis), 6).tolist(),
    }


def _target(t: Target, frame: Array, features: Features) -> dict[str, Any]:
    return {
        "words": t.words,
        "places": [_place(p, frame, features) for p in t.places],
        "share": t.share.tolist(),
        "axis": "xyz"[t.axis],
        "target_mm": t.value,
        "level": t.level,
    }


def _place(p: Place, frame: Array, features: Features) -> dict[str, Any]:
    if p.feature >= 0:
        at = np.round(transform(frame, p.point), 4).tolist()
        return {"words": p.words, **entry(features.found[p.feature], frame), "at_mm": at}
    kind = FLOOR_WORD if p.words == FLOOR_WORD else "surface"
    return {"words": p.words, "kind": kind, "at_mm": np.round(transform(frame, p.point), 4).tolist()}


def targets_again(
    recipe: Mapping[str, Any], clean: CleanScan, features: Features, finder: Finder
) -> tuple[tuple[Target, ...], Array]:
    """The recipe's targets on this scan, and the frame that its pattern of features gives.

    UsageError for a damaged recipe; DataError where what it rests on isn't seen: never replaced by anything else.
    """
    try:
        known = tuple(Known.of(e) for e in recipe["features"])
        rows = [
            (t["words"], t["places"], t["share"], "xyz".index(t["axis"]), t["target_mm"], t["level"])
            for t in recipe["targets"]
        ]
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(f"datum: the recipe is damaged ({error}); take it from a finished job's datum.json") from error
    frame = registered(known, features)
    floor = iter(finder.floor()) if any(p["kind"] == FLOOR_WORD for _, places, *_ in rows for p in places) else iter(())
    out = []
    for words, places, share, axis, value, level in rows:
        made = tuple(next(floor) if p["kind"] == FLOOR_WORD else _again(p, frame, finder) for p in places)
        out.append(Target(words, made, np.array(share, float), axis, float(value), int(level)))
    return tuple(out), frame


def _again(place: Mapping[str, Any], frame: Array, finder: Finder) -> Place:
    at = np.array(place["at_mm"], float)
    if place["kind"] == "surface":
        return finder.surface(str(place["words"]), transform(invert(frame), at))
    known, there = Known.of(place), transform(invert(frame), at)
    away = {
        i: float(np.linalg.norm(face_near(f, there) - there))
        for i, f in enumerate(finder.features.found)
        if known.like(f)
    }
    best = min(away, key=lambda i: away[i], default=-1)
    if best < 0 or away[best] > REACH:
        raise DataError(
            f"datum: {place['words']}, which the recipe rests on, isn't seen; nothing else is taken: scan it, or set "
            "the datum by places that this scan shows"
        )
    return finder.at_feature(str(place["words"]), best, there)
