"""What of the rails and other faces no scan saw, in words that send somebody back with the scanner."""

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.geometry.tube_pair import frame_rails
from barerail.outputs.empty import Empty, beside
from barerail.outputs.in_axes import forward
from barerail.outputs.words import one_line
from barerail.records import Array, Datum, Features, MountPoint, Rail

FEWEST = 2
"""Stations in a row that must lack a face before it is worth a word."""
CENTRE_MM = 20.0
NEAR_MM = 300.0
ALL_ROUND = 0.3
"""Length of the mean of the normals below which a place on a tube goes round three quarters of it or more."""
MOST = 12
DOUBT = "no points here: an opening, or not scanned?"


def unseen_faces(features: Features, datum: Datum) -> list[str]:
    """`the inner face of the right rail from x = -300 to 200 mm`: box rails only, a channel is open on one side."""
    told = []
    for rail in features.rails:
        if rail.section == "box" and len(rail.stations) >= FEWEST:
            told += _of_rail(rail, datum)
    return told


def _of_rail(rail: Rail, datum: Datum) -> list[str]:
    car = forward(datum).car_from_scan
    centres = np.array([s.centre for s in rail.stations])
    at = transform(datum.car_from_scan, centres)
    y = float(np.median(transform(car, centres)[:, 1]))
    side = "centre" if abs(y) < CENTRE_MM else "left" if y > 0 else "right"
    lacking: dict[str, list[bool]] = {}
    for row, s in enumerate(rail.stations):
        axes = direction(car, s.axes)
        for (way, sign), seen in zip(((1, 1), (1, -1), (2, 1), (2, -1)), s.seen):
            lacking.setdefault(_facing(sign * axes[way], y), [False] * len(rail.stations))[row] = not seen
    out = []
    for face, rows in lacking.items():
        for missing, run in groupby(enumerate(rows), key=lambda pair: pair[1]):
            x = sorted(float(at[row, 0]) for row, _ in run)
            if missing and len(x) >= FEWEST:
                out.append(f"the {face} face of the {side} rail from x = {x[0]:z.0f} to {x[-1]:z.0f} mm")
    return out


def _facing(normal: Array, y: float) -> str:
    k = int(np.argmax(np.abs(normal)))
    if k == 2:
        return "upper" if normal[2] > 0 else "lower"
    if k == 0:
        return "front" if normal[0] > 0 else "rear"
    return "outer" if normal[1] * y > 0 else "inner"


def empty_words(empties: Sequence[Empty], features: Features, datum: Datum, points: Sequence[MountPoint]) -> list[str]:
    """`rescan the inner face of the right rear rail near x = -812 mm, by hole-a03-up-R: ...` for each empty place."""
    return [_sentence(e, features, datum, points) for e in empties[:MOST]]


def more_words(empties: Sequence[Empty]) -> str:
    """How many empty places were not told one by one; empty where all were."""
    return f"and {len(empties) - MOST} smaller ones, outlined in the 3D view" if len(empties) > MOST else ""


def _sentence(e: Empty, features: Features, datum: Datum, points: Sequence[MountPoint]) -> str:
    where = f"{_part(e, features, datum)} near {_spot(transform(datum.car_from_scan, e.at), points)}"
    return f"rescan {where}: no points over {e.size}" if e.missed else f"{where}, {e.size}: {DOUBT}"


def _part(e: Empty, features: Features, datum: Datum) -> str:
    car = forward(datum).car_from_scan
    at = transform(car, e.at)
    side = "centre" if abs(at[1]) < CENTRE_MM else "left" if at[1] > 0 else "right"
    rails = [r for r in frame_rails(features.rails, datum.car_from_scan) if len(r.stations) > 1]
    on_rail = any(beside(r, e.at)[0] for r in rails if e.on_tube == (r.section == "tube"))
    where = _way(e, direction(car, e.normal), float(at[1]), "face" if on_rail and not e.on_tube else "side")
    if not on_rail:
        what = "a tube" if e.on_tube else "a part"
        return f"{where} {what} on the {side}" if side != "centre" else f"{where} {what} in the middle"
    along = transform(car, np.array([s.centre for r in rails for s in r.stations]))[:, 0]
    low, high = along.min(), along.max()
    third = ("rear", "middle", "front")[int(np.clip(3 * (at[0] - low) / max(high - low, 1.0), 0, 2))]
    return f"{where} the {side} {third} rail"


def _way(e: Empty, normal: Array, y: float, word: str) -> str:
    """`the lower side of`, or `all round`."""
    round_it = e.on_tube and float(np.linalg.norm(e.gaps[0].normals.mean(axis=0))) < ALL_ROUND
    return "all round" if round_it else f"the {_facing(normal, y)} {word} of"


def _spot(at: Array, points: Sequence[MountPoint]) -> str:
    known = [p for p in points if np.isfinite(p.position).all() and p.kind not in ("rail", "tube", "tube-node", "face")]
    place = f"x = {at[0]:z.0f}, y = {at[1]:z.0f}, z = {at[2]:z.0f} mm"
    if not known:
        return place
    best = min(known, key=lambda p: float(np.linalg.norm(p.position - at)))
    near = np.linalg.norm(best.position - at) < NEAR_MM
    return f"{place}, by {one_line(best.name)}" if near else place
