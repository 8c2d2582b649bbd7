"""A scan against a drawing: points by name, laid on their nominal places by those that agree."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from barerail.asked import CompareSettings
from barerail.errors import DataError, UsageError
from barerail.geometry.frames import best_fit_rigid, direction, skew, transform
from barerail.records import Array, Datum, MountPoint, MountPoints, Moves, NoiseModel, Note, Unmoved, Wanted

from .budget import PoseBudget, Stood, assumed, standing
from .modes import modes
from .shifts import LOST, lost, shifts

MOST_TRIPLES = 2000
THIN_MM = 50.0
"""Least height of a triangle of points that may set a pose."""
EXACT = NoiseModel(0.0, 0.0, 1.0, 0.0, 0.0)


def against(
    drawing: Sequence[Wanted], points: MountPoints, datum: Datum, noise: NoiseModel, settings: CompareSettings
) -> Moves:
    """How far each named point lies from its place in the drawing, in the drawing's axes.

    The pose rests on the points named as unmoved, or on those that agree: the triple of points whose pose leaves
    the least median miss (Rousseeuw 1984, J. Am. Stat. Assoc. 79:871), then all within 2.5 robust sd of it.
    UsageError: names that the job doesn't have. DataError: too few points, on one line, or under half of them agree.
    """
    named = {p.name: p for p in points.points if np.isfinite(p.position).all()}
    known = [w for w in drawing if w.name in named]
    if len(known) < 4:
        raise UsageError(
            f"compare: {len(known)} of the drawing's {len(drawing)} names are points of the job, 4 or more are needed: "
            "give the drawing to barerail points --names first"
        )
    nominal, measured = np.array([w.position for w in known]), [named[w.name] for w in known]
    use = _chosen(known, settings)
    unmoved = _laid(nominal, measured, use, noise)
    moved = [_in_drawing(p, unmoved.pose) for p in measured]
    ideal = [replace(q, position=at, cov_local=np.zeros((3, 3))) for q, at in zip(moved, nominal)]
    stood = Stood.over(nominal, settings.stood_mm)
    budget = PoseBudget.of(unmoved, replace(datum, car_from_scan=np.eye(4)), EXACT, noise, stood)
    pairs = [(i, i) for i in range(len(known))]
    found = shifts(ideal, moved, pairs, budget, np.array([q.position for q in moved]), settings)
    blank = measured[0]
    absent = [
        lost(replace(blank, name=w.name, kind=w.kind, side="", position=np.array(w.position)), LOST, None)
        for w in drawing
        if w.name not in named
    ]
    text = (
        f"laid on {len(unmoved.places)} of {len(known)} named points that agree with the drawing, "
        f"spread {unmoved.spread_mm:.2f} mm"
    )
    bent = modes(found, (), (EXACT, noise), budget)
    notes = (Note("compare", text), *standing(settings, stood))
    return Moves(unmoved, (*found, *absent), {}, (), bent, (), None, notes, assumed(settings))


def _chosen(known: Sequence[Wanted], settings: CompareSettings) -> NDArray[np.bool_] | None:
    if not settings.unmoved:
        return None
    names = {w.name for w in known}
    if bad := [name for name in settings.unmoved if name not in names]:
        raise UsageError(f"--unmoved {bad[0]}: no such point in both the drawing and the job")
    return np.array([w.name in settings.unmoved for w in known])


def _laid(nominal: Array, measured: Sequence[MountPoint], use: NDArray[np.bool_] | None, noise: NoiseModel) -> Unmoved:
    places = np.array([p.position for p in measured])
    keep = _agreeing(nominal, places) if use is None else use
    if keep.sum() < 3 or _height(nominal[keep]) < THIN_MM:
        raise DataError("compare: the points that hold the drawing are too few or on one line: name more of them")
    pose = best_fit_rigid(places[keep], nominal[keep])
    off = transform(pose, places[keep]) - nominal[keep]
    about = nominal[keep].mean(axis=0)
    free = max(3 * int(keep.sum()) - 6, 1)
    own = float(np.mean([np.trace(p.cov_local) / 3 for p, k in zip(measured, keep) if k])) + noise.drift_mm**2
    variance = max(own, float((off**2).sum()) / free)
    design = np.vstack([np.hstack([np.eye(3), -skew(p)]) for p in nominal[keep] - about])
    spread = float(np.sqrt((off**2).sum() / free))
    return Unmoved(
        pose=pose,
        about=about,
        cov=variance * np.linalg.inv(design.T @ design),
        places=nominal[keep],
        grip=np.tile(np.eye(3), (int(keep.sum()), 1, 1)),
        share=float(keep.mean()),
        spread_mm=spread,
        common_mm=spread,
        by="found" if use is None else "named",
    )


def _agreeing(nominal: Array, places: Array) -> NDArray[np.bool_]:
    """Points that one pose leaves within 2.5 robust sd: the least median of squares over triples of points."""
    triples = list(combinations(range(len(nominal)), 3))
    step = max(1, len(triples) // MOST_TRIPLES)
    best, keep = np.inf, np.zeros(len(nominal), bool)
    for triple in triples[::step]:
        rows = list(triple)
        if _height(nominal[rows]) < THIN_MM:
            continue
        miss = np.linalg.norm(transform(best_fit_rigid(places[rows], nominal[rows]), places) - nominal, axis=1)
        median = float(np.median(miss))
        if median < best:
            best, keep = median, miss <= max(2.5 * 1.4826 * median / np.sqrt(2.366), 1e-6)
    if keep.sum() < max(4, 0.5 * len(nominal)):
        raise DataError("compare: fewer than half of the named points agree with the drawing: name some with --unmoved")
    return keep


def _height(points: Array) -> float:
    """Second extent of points (n, 3), mm: 0 on one line."""
    return float(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1]) if len(points) > 2 else 0.0


def _in_drawing(p: MountPoint, pose: Array) -> MountPoint:
    turn = pose[:3, :3]
    return replace(
        p, position=transform(pose, p.position), axis=direction(pose, p.axis), cov_local=turn @ p.cov_local @ turn.T
    )
