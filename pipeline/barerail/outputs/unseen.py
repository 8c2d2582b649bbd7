"""Faces of the rails that the scan never saw, in words that send somebody back with the scanner."""

from itertools import groupby

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.outputs.in_axes import forward
from barerail.records import Array, Datum, Features, Rail

FEWEST = 2
"""Stations in a row that must lack a face before it is worth a word."""


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
    side = "centre" if abs(y) < 20 else "left" if y > 0 else "right"
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
                out.append(f"the {face} face of the {side} rail from x = {x[0]:.0f} to {x[-1]:.0f} mm")
    return out


def _facing(normal: Array, y: float) -> str:
    k = int(np.argmax(np.abs(normal)))
    if k == 2:
        return "upper" if normal[2] > 0 else "lower"
    if k == 0:
        return "front" if normal[0] > 0 else "rear"
    return "outer" if normal[1] * y > 0 else "inner"
