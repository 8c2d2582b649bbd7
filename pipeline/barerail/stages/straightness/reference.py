"""The section of the frame that is taken as undamaged."""

import re

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError, UsageError
from barerail.records import Array

FEWEST = 3
THIRD = 1 / 3


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


def section(reference: str, x: Array) -> NDArray[np.bool_]:
    """Which stations at x (n,) lie in the section named. DataError where it holds fewer than FEWEST of them."""
    a, b = stretch_of(reference, x)
    inside = (x >= a) & (x <= b)
    if inside.sum() < FEWEST:
        raise DataError(
            f"straightness: the reference section holds {inside.sum()} stations, {FEWEST} are needed; "
            "straightness.json has the x of each"
        )
    return np.asarray(inside)


def rest(x: Array, row: int) -> NDArray[np.bool_]:
    """The stations in the two thirds of the length away from the one at `row`, an end."""
    return np.asarray(np.abs(x - x[row]) > np.ptp(x) * THIRD)
