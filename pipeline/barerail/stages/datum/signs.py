"""Which way is front and which way is up: from the user, from a floor, else guessed from the shape and said."""

from dataclasses import dataclass

import numpy as np

from barerail.errors import UsageError
from barerail.geometry.frames import unit
from barerail.records import Array, CleanScan, Features, Frozen
from barerail.settings import DatumSettings

KICK, PARALLEL = 10.0, np.radians(0.5)
"""Least difference in mm of heights of the rails, or of both overhangs, that says a thing."""


@dataclass(frozen=True, eq=False)
class Hints(Frozen):
    """Vectors from the middle of the scan to the user's points, mm, scan axes; None not given."""

    front: Array | None
    above: Array | None


def hints_of(clean: CleanScan, settings: DatumSettings, middle: Array) -> Hints:
    """The user's points in mm about the middle. UsageError where they lie on one line with it, or on top of it."""
    mm = clean.scan.mm_per_unit
    front, above = (None if p is None else np.array(p) * mm - middle for p in (settings.front, settings.above))
    for name, p in (("front", front), ("above", above)):
        if p is not None and not np.linalg.norm(p) > 1.0:
            raise UsageError(f"--{name}: the point is the middle of the scan itself; give one well away from it")
    if front is not None and above is not None and abs(float(unit(front) @ unit(above))) > np.cos(np.radians(10)):
        raise UsageError(
            "--front and --above lie on one line with the middle of the scan, so they name one direction; "
            "give a point towards the front and one straight above the chassis"
        )
    return Hints(front, above)


def up_of(axis: Array, along: Array, hints: Hints, clean: CleanScan, features: Features) -> tuple[Array, str]:
    """`axis` (3,), unit, square to `along`, turned up, and how that was known: starts with guessed where it wasn't."""
    if hints.above is not None:
        return _towards(axis, hints.above, "above", 0.05), "given by --above"
    if clean.floor is not None and abs(float(clean.floor[:3] @ axis)) > 0.5:
        return axis * np.sign(clean.floor[:3] @ axis), "away from the floor in the scan"
    lean = _lean(features, axis, along)
    if abs(lean) > KICK:
        return axis * np.sign(lean), "guessed: the longest level stretch of the rails lies low, the rest is kicked up"
    return _along_file(axis), "guessed: along the scan file's own axes"


def front_of(axis: Array, hints: Hints, low: Array, ends: tuple[float, float]) -> tuple[Array, str]:
    """`axis` (3,), unit, turned to the front, and how that was known.

    low (k,): places along `axis` of the low faces' middles; ends: of what was seen; about the scan's middle.
    """
    if hints.front is not None:
        return _towards(axis, hints.front, "front", 0.25), "given by --front"
    overhang = float(ends[0] + ends[1] - 2 * np.mean(low))
    if abs(overhang) > KICK:
        return axis * np.sign(overhang), "guessed: the end that reaches further beyond the low faces"
    return _along_file(axis), "guessed: along the scan file's own axes"


def _towards(axis: Array, point: Array, name: str, least: float) -> Array:
    share = float(axis @ unit(point))
    if abs(share) < least:
        far = float(np.linalg.norm(point))
        raise UsageError(
            f"--{name}: the point lies beside the middle of the scan, not {'ahead' if name == 'front' else 'above'}: "
            f"only {abs(share) * far:.0f} mm of {far:.0f} mm; check it and its unit"
        )
    return axis * np.sign(share)


def _lean(features: Features, axis: Array, along: Array) -> float:
    """How far, mm, the middle of the range of rail heights lies above where most of the length is.

    Heights are counted from the slope that most of the length has: rails read piece by piece, long faces without rails.
    """
    x, z, slope = _pieces(features, axis, along)
    if not len(x):
        return 0.0
    level = slope[np.argmax((np.abs(np.subtract.outer(slope, slope)) < PARALLEL).sum(1))]
    height = z - level * x
    close = np.abs(np.subtract.outer(height, height)) < KICK
    most = float(np.median(height[close[int(np.argmax(close.sum(1)))]]))
    return float(np.quantile(height, [0.02, 0.98]).mean()) - most


def _pieces(features: Features, axis: Array, along: Array) -> Array:
    """x, z and slope (3, k) of pieces of box or channel rail about 100 mm long, or of long faces."""
    out = []
    for rail in (r for r in features.rails if r.section != "tube"):
        at = np.array([s.centre for s in rail.stations])
        middle, way = (at[1:] + at[:-1]) / 2, at[1:] - at[:-1]
        out += list(zip(middle @ along, middle @ axis, (way @ axis) / (way @ along)))
    if not out:
        long = [p for p in features.planes if p.extent[0] > 300 and abs(p.axes[0] @ along) > 0.9]
        for p in long:
            piece = (p.centre @ along, p.centre @ axis, (p.axes[0] @ axis) / (p.axes[0] @ along))
            out += [piece] * int(p.extent[0] / 100)
    return np.array(out).reshape(-1, 3).T


def _along_file(axis: Array) -> Array:
    return axis * np.sign(axis[np.argmax(np.abs(axis))])
