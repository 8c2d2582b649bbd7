"""The datum as a 4x4 that the user gives, checked; nothing of it is measured."""

import numpy as np

from barerail.errors import UsageError
from barerail.records import Array, CleanScan, Datum, Note
from barerail.settings import DatumSettings

from .seen import seen
from .signs import hints_of
from .surface import surface_of

NEAR = 1e-6
"""How far a given matrix may be from a rotation: rounding to six digits, 0.003 mm over 3 m (judgement)."""


def given(clean: CleanScan, settings: DatumSettings) -> Datum:
    """The datum of `[datum] matrix`, taken as exact. UsageError as `checked`, or where front or above contradict it."""
    frame = checked(settings.matrix)
    hints = hints_of(clean, settings, surface_of(clean).middle)
    for name, axis, point in (("front", 0, hints.front), ("above", 2, hints.above)):
        if point is not None and frame[axis, :3] @ point <= 0:
            raise UsageError(f"--{name} contradicts [datum] matrix; leave it out, or mend the matrix")
    assumed = ("unit",) if clean.scan.unit_assumed and not settings.confirmed else ()
    text = "the datum is the given matrix, taken as exact: U of points holds nothing for the datum, none was stated"
    return Datum(
        car_from_scan=frame,
        covariance=np.zeros((6, 6)),
        axes="iso8855",
        origin="x = 0, y = 0 and z = 0: as the given matrix puts them",
        method="given",
        assumed=assumed,
        recipe={"rule": "given", "words": "the given matrix; it holds for this scan's own axes only"},
        evidence={
            "seen_x_mm": seen(clean, frame),
            "front": "as the given matrix says",
            "above": "as the given matrix says",
        },
        scan_unit=clean.scan.unit,
        mm_per_scan_unit=clean.scan.mm_per_unit,
        notes=(Note("datum", text),),
    )


def checked(matrix: tuple[tuple[float, ...], ...] | None) -> Array:
    """The rotation and shift (4, 4) of `matrix`, its rotation made exact. UsageError where it is none."""
    m = np.array(matrix or (), float)
    if m.shape != (4, 4):
        raise UsageError("[datum] matrix: method given needs four rows of four numbers, car from scan, in mm")
    if not np.all(np.isfinite(m)):
        raise UsageError("[datum] matrix: a number isn't finite; give four rows of four numbers")
    if not np.allclose(m[3], [0, 0, 0, 1], rtol=0, atol=NEAR):
        raise UsageError("[datum] matrix: the last row must be 0, 0, 0, 1; the shift is the last column")
    turn = m[:3, :3]
    if not np.allclose(turn @ turn.T, np.eye(3), rtol=0, atol=NEAR * 10):
        raise UsageError("[datum] matrix: not a rotation to six digits; it must neither scale nor skew")
    if np.linalg.det(turn) < 0:
        raise UsageError("[datum] matrix: it mirrors the car (det -1), left would be right; turn the sign of one axis")
    u, _, vt = np.linalg.svd(turn)
    m[:3, :3] = u @ vt
    return m
