"""The ends of the frame against a section of it that is taken as undamaged."""

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError, UsageError
from barerail.geometry.drift import grown
from barerail.geometry.trend import trend
from barerail.records import Array, Frozen, Measure, NoiseModel

from .modes import Stretch, drift, measure

LEVEL_DEG = 3.0
"""Turn of a rail against its own reference section beyond which its height there is by design, degrees."""
FEWEST = 3
THIRD = 1 / 3
KICKED = "the rail rises or falls there by design: its sag can't be told without a drawing or a scan from before"


def stretch_of(reference: str, x: Array) -> tuple[float, float]:
    """From and to x of `rear`, `front` (a third of the length each) or `A..B`. UsageError for anything else."""
    low, high = float(x.min()), float(x.max())
    if reference in ("rear", "front"):
        part = (high - low) * THIRD
        return (low, low + part) if reference == "rear" else (high - part, high)
    found = re.fullmatch(r"\s*(-?[\d.]+)\s*\.\.\s*(-?[\d.]+)\s*", reference)
    if not found:
        raise UsageError(f"--reference {reference}: give rear, front, or a stretch of x such as -900..200")
    a, b = sorted(float(part) for part in found.groups())
    return a, b


def against(s: Stretch, reference: str, noise: NoiseModel, stood: float) -> dict[str, Measure]:
    """Sidesway and twist of each end, and sag of each rail at each end, off the lines through the reference section.

    The lines are read on to the end's last station, with the uncertainty that this has; ends inside the section are
    left out. DataError where it holds fewer than FEWEST stations.
    """
    a, b = stretch_of(reference, s.x)
    inside = (s.x >= a) & (s.x <= b)
    if inside.sum() < FEWEST:
        raise DataError(
            f"straightness: the reference section holds {inside.sum()} stations, {FEWEST} are needed; "
            "straightness.json has the x of each"
        )
    out: dict[str, Measure] = {}
    for end, row in (("rear", int(np.argmin(s.x))), ("front", int(np.argmax(s.x)))):
        if not inside[row]:
            out |= _end(s, inside, row, end, noise, stood)
    return out


def _end(
    s: Stretch, inside: NDArray[np.bool_], row: int, end: str, noise: NoiseModel, stood: float
) -> dict[str, Measure]:
    middle, d = (s.left + s.right) / 2, s.left - s.right
    width = np.hypot(d[:, 1], d[:, 2])
    grows = grown(noise, abs(float(s.x[row] - s.x[inside].mean())))
    turns = 2 * grown(noise, s.gauge) / s.gauge**2
    roll, roll_var = np.arctan2(d[:, 2], d[:, 1]), (s.left_var[:, 2] + s.right_var[:, 2]) / width**2
    side = _off(s.x, middle[:, 1], (s.left_var[:, 1] + s.right_var[:, 1]) / 4, inside, row, 1)
    twist = _off(s.x, roll, roll_var, inside, row, 0)
    half, across = side.weights / 2, twist.weights / width
    turned = drift(s, noise, across, -across, turns)
    out = {
        f"sidesway_{end}_mm": measure(side.value, side.u, drift(s, noise, half, half, grows), "mm"),
        f"twist_{end}_deg": measure(twist.value, twist.u, turned, "deg", float(np.degrees(1.0)), stood / s.gauge),
    }
    for k, (name, at, var) in enumerate((("left", s.left, s.left_var), ("right", s.right, s.right_var))):
        off = _off(s.x, at[:, 2], var[:, 2], inside, row, 1)
        slow = drift(s, noise, off.weights * (1 - k), off.weights * k, grows)
        out[f"sag_{name}_{end}_mm"] = _sag(s.x, at[:, 2], inside, row, off, slow)
    return out


def _sag(x: Array, z: Array, inside: NDArray[np.bool_], row: int, off: "Off", slow: float) -> Measure:
    """How far the end lies below the line, positive: down."""
    beyond = (x - x[row]) * np.sign(x[inside].mean() - x[row]) <= np.abs(x[inside] - x[row]).min()
    steep = np.abs(np.diff(z[beyond]) / np.diff(x[beyond])).max(initial=0.0)
    if np.degrees(np.arctan(steep)) > LEVEL_DEG:
        return Measure(None, None, "mm", KICKED)
    return measure(-off.value, off.u, slow, "mm")


@dataclass(frozen=True, eq=False)
class Off(Frozen):
    """A reading less the line through others: value, standard uncertainty of the fits, weight (n,) of each reading."""

    value: float
    u: float
    weights: Array


def _off(x: Array, y: Array, var: Array, inside: NDArray[np.bool_], row: int, degree: int) -> Off:
    """Reading at `row` less the line (degree 1) or the mean (0) through those inside."""
    middle = float(x[inside].mean())
    columns = np.vander((x - middle) / 1000, degree + 1, increasing=True)
    line = trend(columns[inside], y[inside], var[inside])
    u = float(columns[row] @ line.cov @ columns[row] + var[row])
    weights = np.zeros(len(x))
    weights[row] = 1.0
    weights[inside] -= columns[row] @ line.gain
    return Off(float(weights @ y), u**0.5, weights)
