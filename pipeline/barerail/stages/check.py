"""Check: lengths measured by hand against the labelled points, and what they say of the scan's scale."""

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches

import numpy as np

from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.distance import distance, distance_U
from barerail.records import Check, Compared, Measured, MountPoint, MountPoints, NoiseModel, Note
from barerail.settings import CheckSettings

ENOUGH = 3
"""Hand measurements that the report asks for: along, across and a diagonal."""
MM_PER = {"": 1.0, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
_LENGTH = re.compile(
    r"(?P<names>.+)=(?P<value>\d+(?:\.\d+)?)(?:(?:\+-|±)(?P<U>\d+(?:\.\d+)?))?\s*(?P<unit>mm|cm|m|in|ft|)"
)
OPTION = "--scale-check"
FORM = "give two point names and a length in mm, like hole-f10-L-hole-r7-R=1250.0 or with its U, =1250.0+-0.3"


def check(points: MountPoints, noise: NoiseModel, measured: Sequence[Measured], settings: CheckSettings) -> Check:
    """Each length against the distance of its points, and the scale (hand over scan) that all of them give.

    A length agrees where it differs by no more than U: the hand's, both fits and the drift between; the datum has no
    share (`geometry.distance`). The scale is the least-squares one, weights 1 / U^2. UsageError: a name that no point
    has; DataError: a point without a place.
    """
    places = {p.name: p for p in points.points}
    given = [*measured, *([check_length(settings.length, tuple(places))] if settings.length else ())]
    rows = tuple(_compared(m, places, noise, settings.tape_U_mm) for m in given)
    if not rows:
        return Check((), float("nan"), float("nan"), "not checked")
    expected, hand, u = (np.array(v) for v in zip(*((r.expected_mm, r.measured_mm, r.U_mm / 2) for r in rows)))
    power = float((expected**2 / u**2).sum())
    scale, u_scale = float((hand * expected / u**2).sum()) / power, 2 / power**0.5
    return Check(rows, scale, u_scale, _state(rows, u_scale, settings.scale_U), _notes(rows))


def check_length(text: str, names: Sequence[str]) -> Measured:
    """The length in `A-B=1250.0`: names may hold dashes, the one dash counts that has a point's name on each side.

    UsageError where the text isn't of this form, or where none or several dashes do.
    """
    match = _LENGTH.fullmatch(text.strip())
    if match is None or not float(match["value"]):
        raise UsageError(f"{OPTION} '{text}': {FORM}")
    both = match["names"]
    cuts = [i for i, mark in enumerate(both) if mark == "-" and both[:i] in names and both[i + 1 :] in names]
    if len(cuts) != 1:
        why = "could mean several pairs of points" if cuts else f"holds no two points' names{_near(both, names)}"
        raise UsageError(f"{OPTION}: '{both}' {why}; {FORM}")
    k = MM_PER[match["unit"]]
    u = float(match["U"]) * k if match["U"] else None
    return Measured(OPTION, both[: cuts[0]], both[cuts[0] + 1 :], float(match["value"]) * k, u)


def _near(text: str, names: Sequence[str]) -> str:
    """A hint at a name that the text starts or ends with nearly."""
    cuts = [i for i, mark in enumerate(text) if mark == "-"]
    parts = [part for i in cuts for part in (text[:i], text[i + 1 :]) if part not in names]
    near = [found[0] for part in parts if (found := get_close_matches(part, names, 1, 0.85))]
    return f", did you mean {near[0]}?" if near else ""


def _compared(m: Measured, places: Mapping[str, MountPoint], noise: NoiseModel, tape: float) -> Compared:
    for name in (m.a, m.b):
        if name not in places:
            raise no_point(name, places, f"{m.given}: ")
        if not np.isfinite(places[name].position).all():
            raise DataError(f"{m.given}: {name} was not found in the scan, so there is no length to compare")
        if places[name].state != "measured":
            raise DataError(f"{m.given}: {name} is {places[name].state}, not measured: its length would prove nothing")
    a, b = places[m.a], places[m.b]
    expected = distance(a, b)
    u = float(np.hypot(distance_U(a, b, noise), tape if m.U_mm is None else m.U_mm))
    return Compared(m.a, m.b, expected, m.length_mm, u, abs(m.length_mm - expected) <= u)


def _state(rows: Sequence[Compared], u_scale: float, limit: float) -> str:
    if not all(r.agrees for r in rows):
        return "failed"
    return "passed" if u_scale <= limit else "not proven"


def _notes(rows: Sequence[Compared]) -> tuple[Note, ...]:
    if len(rows) >= ENOUGH:
        return ()
    text = f"only {len(rows)} of the {ENOUGH} hand measurements: one long, one across, one diagonal"
    return (Note("check", text, 1, True),)
