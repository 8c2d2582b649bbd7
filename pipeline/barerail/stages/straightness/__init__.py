"""Straightness: twist, diamond, sidesway and mash from the rails and the left/right pairs, in car axes.

Definitions: the outputs contract. Scanner drift looks exactly like a bent frame, so its share stands in every U.
"""

from collections.abc import Mapping

import numpy as np

from barerail.records import Datum, Features, Measure, Note, StationPair, Straightness
from barerail.settings import StraightnessSettings
from barerail.stages.straightness.modes import pair_modes, rails_roll, sidesway, twist
from barerail.stages.straightness.pairs import lengthwise
from barerail.stages.straightness.stations import paired

NOT_ALONE = "can't be told from one scan: a drawing or a scan from before is needed"
FEWEST = 4
CAPPED = ("twist", "sag", "sidesway", "rails_roll")
"""Measures that the supports change: one corner without support twists a bare frame 1 to 2 mm (trade note 3)."""


def straightness(features: Features, datum: Datum, settings: StraightnessSettings) -> Straightness:
    """Compare the left and right rail at stations along the car; values that the scan can't show are None."""
    stations = paired(features, datum)
    used = [s for s in stations if s.used]
    assumed = ("drift",) + (() if settings.supports_known else ("supports",))
    if len(used) < FEWEST:
        return _nothing(stations, assumed, _why(features, len(used)))
    gauge = float(np.mean([np.linalg.norm((s.left - s.right)[1:]) for s in used]))
    measures = dict(twist(used, gauge, features.noise))
    measures |= sidesway(used, features.noise)
    measures |= pair_modes(lengthwise(features, datum), used, gauge, features.noise)
    measures |= rails_roll(used)
    measures["sag_mm"] = Measure(None, None, "mm", NOT_ALONE)
    verdicts = {name: _verdict(name, m, settings) for name, m in measures.items() if name in settings.limits}
    dropped = len(stations) - len(used)
    notes = [Note("straightness", "stations left out, in a bend or at a gap of a rail", dropped)] if dropped else []
    unknown = sorted(set(settings.limits) - set(measures))
    notes += [Note("straightness", f"no such measure to limit: {name}", 1, True) for name in unknown]
    return Straightness(measures, used[0].x, used[-1].x, gauge, stations, verdicts, assumed, tuple(notes))


def _nothing(stations: tuple[StationPair, ...], assumed: tuple[str, ...], why: str) -> Straightness:
    names = {"twist_deg": "deg", "twist_deg_per_m": "deg/m"}
    names |= {f"{n}_mm": "mm" for n in ("twist", "diamond", "sidesway", "sag", "mash")}
    measures: Mapping[str, Measure] = {n: Measure(None, None, unit, why) for n, unit in names.items()}
    nan = float("nan")
    return Straightness(measures, nan, nan, nan, stations, {}, assumed, (Note("straightness", why, 1, True),))


def _why(features: Features, used: int) -> str:
    if len(features.rails) < 2:
        return f"needs a left and a right rail of box or channel section; {len(features.rails)} found"
    return f"needs {FEWEST} stations where both rails are seen; {used} found"


def _verdict(name: str, measure: Measure, settings: StraightnessSettings) -> str:
    """`within`, `outside` or `not proven` with a guard band of U on both sides (ISO 14253-1)."""
    limit = settings.limits[name]
    if measure.value is None or measure.U is None:
        return "not proven"
    if name.startswith(CAPPED) and not settings.supports_known:
        return "not proven"
    size = abs(measure.value)
    return "within" if size + measure.U <= limit else "outside" if size - measure.U > limit else "not proven"
