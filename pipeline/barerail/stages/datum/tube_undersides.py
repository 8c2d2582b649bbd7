"""The undersides of a tube frame's two rails, station by station: a bowed tube is no straight cylinder to level by."""

from typing import NamedTuple

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.geometry.tube_pair import TubePair, lowest_pair
from barerail.records import Array, Features, Note, Rail


class Underside(NamedTuple):
    """A point of the underside at the rail's middle, rough car axes, and dz/dx there; standard uncertainties of the
    height in mm and of the slope; length, mm."""

    at: Array
    slope: float
    u_height: float
    u_slope: float
    length: float


def undersides(features: Features, rough: Array) -> list[Underside]:
    """Of the lowest left/right pair of long round tubes; none where box or channel rails lie on both sides."""
    pair = lowest_pair(features.rails, rough)
    return [_underside(rail, rough) for rail in pair.rails] if pair is not None else []


def chosen_among(features: Features, rough: Array) -> TubePair | None:
    """The pair, where others could have been the rails: more than one pair, or a box or channel rail on one side."""
    pair = lowest_pair(features.rails, rough)
    return pair if pair is not None and (pair.of > 1 or pair.beside) else None


def said(pair: TubePair) -> Note:
    """Which round tubes z rests on, and what else there was."""
    beside = "; a box or channel rail runs along one side, too" if pair.beside else ""
    text = f"z rests on round tubes: the lowest left/right pair at least half as long as the longest, of {pair.of} such"
    return Note("datum", text + beside, pair.of)


def _underside(rail: Rail, rough: Array) -> Underside:
    """The straight line through the centres' heights, weighted least squares, a radius lower; misfits widen it."""
    at = transform(rough, np.array([s.centre for s in rail.stations]))
    up = np.array([direction(rough, s.axes[1:])[:, 2] for s in rail.stations])
    var = np.array([u @ s.cov[:2, :2] @ u for u, s in zip(up, rail.stations)])
    middle = np.average(at, axis=0, weights=1 / var)
    rows = np.column_stack([np.ones(len(at)), at[:, 0] - middle[0]]) / np.sqrt(var)[:, None]
    cov = np.linalg.inv(rows.T @ rows)
    height, slope = cov @ rows.T @ (at[:, 2] / np.sqrt(var))
    left = at[:, 2] / np.sqrt(var) - rows @ [height, slope]
    cov *= max(1.0, float(left @ left) / max(len(at) - 2, 1))
    radius = float(np.median([s.size[0] for s in rail.stations])) / 2
    u_radius = float(np.sqrt(np.median([s.cov[3, 3] for s in rail.stations]))) / 2
    below = radius * float(np.hypot(1.0, slope))
    u_height = float(np.sqrt(cov[0, 0] + u_radius**2))
    place = np.array([middle[0], middle[1], height - below])
    return Underside(place, float(slope), u_height, float(np.sqrt(cov[1, 1])), float(np.ptp(at[:, 0])))
