"""Frame straightness: the rails' stations in car axes, and what they say about twist and the other bends."""

from collections.abc import Mapping, Sequence
from difflib import get_close_matches

import numpy as np

from barerail.errors import UsageError
from barerail.geometry.tube_pair import TubePair, lowest_pair
from barerail.records import Array, Datum, Features, Measure, MountPoints, Note, Rail, StationPair, Straightness
from barerail.settings import StraightnessSettings

from .bays import bays
from .ends import NAMES as END_NAMES
from .ends import ends
from .modes import (
    NO_DRAWING,
    Stretch,
    centreline,
    diamond_and_mash,
    gauge_width,
    rail_roll,
    sag_difference,
    sidesway,
    twist,
    unrolled,
)
from .open_side import with_open_side
from .sits import sits
from .stations import pairs_at, sides_of, unused

__all__ = ["straightness"]

FEWEST = 5
NO_POINTS = MountPoints((), ())
NAMES = {
    "twist_deg": "deg",
    "twist_mm": "mm",
    "twist_deg_per_m": "deg/m",
    "gauge_width_mm": "mm",
    "diamond_mm": "mm",
    "sidesway_mm": "mm",
    "sag_mm": "mm",
    "sag_left_less_right_mm": "mm",
    "mash_mm": "mm",
    "rail_roll_left_deg": "deg",
    "rail_roll_right_deg": "deg",
    **END_NAMES,
}
"""The measures and their units; limits may be set on any of them."""


def straightness(
    features: Features, datum: Datum, settings: StraightnessSettings, points: MountPoints = NO_POINTS
) -> Straightness:
    """Twist, gauge, diamond, sidesway, sag, mash and rail roll, each with U (k = 2) or the reason why not.

    Rests on the stations of the longest rail of each side, or of the lowest long pair of round tubes where fit found
    such; scanner drift as set in `features.noise`, its share of U
    apart. Where the supports are not known, the twist's U holds what one corner without support makes. points: for what
    a tape reads. A verdict stands only beside a limit of the user's, with a guard band of U (JCGM 106:2012, 8.3.2; the
    default of ISO 14253-1 is narrower): within, outside or not proven, and not proven at best where the supports are
    unknown, or of one end without a reference section. UsageError for a limit on what isn't measured here.
    """
    _check(settings)
    pair = lowest_pair(features.rails, datum.car_from_scan)
    rails = pair.rails if pair is not None else [r for r in features.rails if r.section != "tube"]
    left, right = sides_of(rails, datum)
    pairs = pairs_at(left, right, features.noise) if left is not None and right is not None else ()
    if left is None or right is None or sum(p.used for p in pairs) < FEWEST:
        return _nothing(pairs, settings, pair)
    stretch = Stretch.of(pairs)
    stood = 0.0 if settings.supports_known else settings.elastic_mm
    measures, weight = twist(stretch, features.noise, stood)
    level = unrolled(stretch)
    curve = centreline(level)
    diamond, mash = diamond_and_mash(stretch, features, datum, curve)
    measures |= {
        "gauge_width_mm": gauge_width(stretch, left, right, features.noise),
        "diamond_mm": diamond,
        "sidesway_mm": sidesway(stretch, curve, features.noise),
        "sag_mm": Measure(None, None, "mm", NO_DRAWING),
        "sag_left_less_right_mm": sag_difference(level, features.noise),
        "mash_mm": mash,
        "rail_roll_left_deg": rail_roll(left, stretch.span, features.noise, stood / stretch.gauge),
        "rail_roll_right_deg": rail_roll(right, stretch.span, features.noise, stood / stretch.gauge),
    }
    measures |= ends(stretch, _reference(settings), features.noise, stood)
    measures = with_open_side(measures, stretch, left, right)
    return Straightness(
        measures=measures,
        from_x_mm=stretch.span[0],
        to_x_mm=stretch.span[1],
        gauge_width_mm=stretch.gauge,
        stations=_judged(pairs, weight),
        verdicts=_verdicts(measures, settings),
        assumed=_assumed(settings, pair),
        notes=(*_chosen(pair), *_notes(rails, pairs, weight, settings)),
        sits_mm=sits(stretch, weight),
        bays=bays(points, features.noise),
        rails=_taken(pair),
    )


def _check(settings: StraightnessSettings) -> None:
    for name in settings.limits:
        if name not in NAMES:
            near = get_close_matches(name, NAMES, n=2, cutoff=0.4) or list(NAMES)
            raise UsageError(f"[straightness] limits: {name!r} is no measure; did you mean {' or '.join(near)}?")


def _reference(settings: StraightnessSettings) -> str:
    """The section that the user takes as undamaged; empty: none."""
    return "" if settings.reference == "all" else settings.reference


def _nothing(pairs: tuple[StationPair, ...], settings: StraightnessSettings, tubes: TubePair | None) -> Straightness:
    """No value for anything, and why."""
    count = sum(p.used for p in pairs)
    why = f"needs a left and a right rail with {FEWEST} stations at the same x, {count} were found"
    measures = {name: Measure(None, None, unit, why) for name, unit in NAMES.items()}
    nan = float("nan")
    note = Note("straightness", why, warning=True)
    verdicts = {name: "not proven" for name in settings.limits}
    notes = (*_chosen(tubes), note)
    return Straightness(measures, nan, nan, nan, pairs, verdicts, _assumed(settings, tubes), notes, rails=_taken(tubes))


def _judged(pairs: tuple[StationPair, ...], weight: Array) -> tuple[StationPair, ...]:
    """Stations that the line through the twist gave no weight are marked unused."""
    out = np.zeros(len(pairs), bool)
    out[[p.used for p in pairs]] = weight == 0
    return unused(pairs, out)


def _verdicts(measures: Mapping[str, Measure], settings: StraightnessSettings) -> dict[str, str]:
    out = {}
    for name, limit in settings.limits.items():
        m = measures.get(name, Measure(None, None, ""))
        told = settings.supports_known and (name not in END_NAMES or bool(_reference(settings)))
        proven = told and m.value is not None and m.U is not None
        if proven and abs(m.value or 0.0) + (m.U or 0.0) <= limit:
            out[name] = "within"
        elif proven and abs(m.value or 0.0) - (m.U or 0.0) > limit:
            out[name] = "outside"
        else:
            out[name] = "not proven"
    return out


def _assumed(settings: StraightnessSettings, tubes: TubePair | None) -> tuple[str, ...]:
    chosen = ("rails",) if tubes is not None else ()
    return ("drift", *chosen) if settings.supports_known else ("drift", "supports", *chosen)


def _chosen(tubes: TubePair | None) -> tuple[Note, ...]:
    """Which round tubes were taken for the rails, and by what rule."""
    return (Note("straightness", _taken(tubes), tubes.of, tubes.of == 1),) if tubes is not None else ()


def _taken(tubes: TubePair | None) -> str:
    """Where the tubes lie, so that a cage's can be told from a frame's, and what there was to choose from."""
    if tubes is None:
        return ""
    size = np.median([s.size[0] for rail in tubes.rails for s in rail.stations])
    place = f"about {size:.0f} mm wide, {tubes.aside:.0f} mm to either side, centres at z = {tubes.height:z.0f} mm"
    rule = f"the lowest left/right pair at least half as long as the longest, of {tubes.of} such."
    only = "the only long left/right pair, and no box or channel rails on both sides: is it the frame's, not a cage's?"
    return f"the rails are round tubes, {place}: {rule if tubes.of > 1 else only} Round tubes show no roll of their own"


def _notes(
    rails: Sequence[Rail], pairs: tuple[StationPair, ...], weight: Array, settings: StraightnessSettings
) -> tuple[Note, ...]:
    dropped = sum(rail.dropped for rail in rails)
    said = [
        ("stations dropped: too little of the rail seen there, or another section beside its line", dropped),
        ("stations left out: too little of the section seen to hold its centre", sum(not p.used for p in pairs)),
        ("stations left out: far off the straight line through all others", int((weight == 0).sum())),
    ]
    notes = [Note("straightness", text, count) for text, count in said if count]
    if not settings.supports_known:
        text = (
            "how the frame stood is not known: one corner without support bends a bare frame by 1 to 2 mm; U of the "
            f"twist holds {2 * settings.elastic_mm:g} mm for it, and no verdict is proven"
        )
        notes.append(Note("straightness", text, warning=True))
    if not _reference(settings) and (count := sum(name in END_NAMES for name in settings.limits)):
        text = "one scan can't say which end is bent: no verdict on one end is proven without --reference"
        notes.append(Note("straightness", text, count, warning=True))
    if settings.limits:
        notes.append(
            Note("straightness", "verdicts with a guard band of U (k = 2) inside the limit", len(settings.limits))
        )
    known = f"{settings.temperature_c:g} degrees C" if settings.temperature_c is not None else "not known"
    notes.append(Note("straightness", f"temperature of the frame {known}; steel grows 0.0115 mm per m and degree"))
    return tuple(notes)
