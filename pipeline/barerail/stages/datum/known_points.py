"""Known points: the rigid best fit of named features to known coordinates, robust, with what each one pulls."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import best_fit_rigid, transform
from barerail.geometry.robust import TUKEY_C, tukey_weights
from barerail.records import Array, NoiseModel
from barerail.settings import DatumSettings

from .places import Finder
from .posing import Posed, Target, pose
from .three_two_one import APART

LEVELS = ((0, 1, 2, 3, 4, 5),)
TRIPLES = 2000
ROBUST_FROM = 5
"""With fewer points than this, nothing tells which one is off, and all count the same."""
FEWEST = 3


def targets_of(settings: DatumSettings, finder: Finder) -> tuple[Target, ...]:
    """Three targets a named feature. UsageError for fewer than three features."""
    if len(settings.known) < FEWEST:
        raise UsageError(f"[datum] known-points needs {FEWEST} known points or more, {len(settings.known)} are given")
    out = []
    for name, at in settings.known.items():
        place = finder.of(name)
        out += [Target(name, (place,), np.ones(1), axis, value) for axis, value in enumerate(at)]
    return tuple(out)


def fit(targets: Sequence[Target], noise: NoiseModel) -> tuple[Posed, Array]:
    """The pose, and each point's weight (n,), 1 to 0: Tukey's biweight of its misfit over the typical one.

    From the best of the poses that three points make (least median of squares, Rousseeuw 1984, JASA 79:871-880).
    DataError where the points lie on a line, where they are a mirror image of the scan's, or where they fit nowhere.
    """
    scan = np.array([t.places[0].point for t in targets[::3]])
    car = np.array([t.value for t in targets]).reshape(-1, 3)
    if np.linalg.svd(car - car.mean(0), compute_uv=False)[1] / np.sqrt(len(car)) < APART:
        raise UsageError("[datum] known: the points lie on one line, so a turn stays open; add one to the side")
    start = _start(scan, car)
    weight = np.ones(len(scan))
    for _ in range(50):
        made = pose(targets, start, LEVELS, noise, np.repeat(weight, 3))
        new = _weights(made)
        done, weight, start = np.abs(new - weight).max() < 1e-6, new, made.frame
        if done or len(scan) < ROBUST_FROM:
            break
    _check(scan, car, made, weight)
    return made, weight


def _start(scan: Array, car: Array) -> Array:
    """The pose of three points whose median misfit of all is least."""
    triples = list(combinations(range(len(scan)), 3))
    best, least = best_fit_rigid(scan, car), np.inf
    for rows in triples[:: max(1, len(triples) // TRIPLES)] if len(scan) >= ROBUST_FROM else ():
        try:
            frame = best_fit_rigid(scan[list(rows)], car[list(rows)])
        except DataError:
            continue
        off = float(np.median(np.linalg.norm(transform(frame, scan) - car, axis=1)))
        if off < least:
            best, least = frame, off
    return best


def _weights(made: Posed) -> Array:
    off = np.linalg.norm((made.residual / made.u).reshape(-1, 3), axis=1) / np.sqrt(3)
    if len(off) < ROBUST_FROM:
        return np.ones(len(off))
    return tukey_weights(off / max(1.4826 * float(np.median(off)), 1.0), TUKEY_C)


def _check(scan: Array, car: Array, made: Posed, weight: Array) -> None:
    off = np.linalg.norm(made.residual.reshape(-1, 3), axis=1)
    flip = np.array([1.0, -1.0, 1.0])
    mirrored = np.linalg.norm(transform(best_fit_rigid(scan, car * flip), scan) - car * flip, axis=1)
    if np.median(off) > 10 and np.median(mirrored) < 0.2 * np.median(off):
        raise UsageError(
            "[datum] known: the coordinates are a mirror image of the scan, left and right are swapped; turn the sign "
            "of one axis, or name the features on the other side"
        )
    good = (weight > 0) & (off < 25.0)
    if good.sum() < max(FEWEST, len(off) / 2):
        raise DataError(
            f"datum: the known coordinates contradict the scan: {good.sum()} of {len(off)} points come within 25 mm "
            f"(median misfit {np.median(off):.1f} mm); check names, coordinates and unit"
        )


def pulls(targets: Sequence[Target], made: Posed, weight: Array, noise: NoiseModel) -> Array:
    """How far, mm, leaving out each point moves the place of any other (n,); nan where too few would be left."""
    scan = np.array([t.places[0].point for t in targets[::3]])
    at = transform(made.frame, scan)
    out = np.full(len(weight), np.nan)
    for k in range(len(weight)):
        rest = np.where(np.arange(len(weight)) == k, 0.0, weight)
        if (rest > 0).sum() >= FEWEST:
            try:
                other = pose(targets, made.frame, LEVELS, noise, np.repeat(rest, 3))
            except DataError:
                continue
            out[k] = float(np.linalg.norm(transform(other.frame, scan) - at, axis=1).max())
    return out
