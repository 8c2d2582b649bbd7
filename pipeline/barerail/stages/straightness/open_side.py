"""What a side of the rails that was never seen, as a channel's open one, leaves open of the measures."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from barerail.records import Measure

from .modes import Stretch
from .stations import Side

AT_GAUGE = ("diamond", "mash", "twist_mm", "twist_rear", "twist_front", "sag_left_less_right")
"""How the names of measures begin that change with the gauge width."""


def with_open_side(measures: Mapping[str, Measure], s: Stretch, left: Side, right: Side) -> dict[str, Measure]:
    """The measures with what an unseen side leaves open of the rails' middles in U.

    Diamond, mash and corner heights count at the gauge width. A middle known too far out lies on the same line across
    the frame as long as its section rolls with the frame: the twist is off by what it doesn't, and a rail's own sag by
    its roll. How the section of one end rolls isn't told: of a twist there all that the width leaves open counts.
    """
    values = {name: abs(m.value or 0.0) for name, m in measures.items()}
    share = float(np.hypot(left.open[1], right.open[1])) / s.gauge
    more = {name: share * v for name, v in values.items() if name.startswith(AT_GAUGE)}
    angle, rolls = measures["twist_deg"].value or 0.0, []
    for side, name in ((left, "left"), (right, "right")):
        m = measures[f"rail_roll_{name}_deg"]
        rolls.append(side.open[1] * float(np.hypot((m.value or 0.0) - angle, (m.U or 0.0) / 2)))
        own = side.open[1] * float(np.radians(np.hypot(m.value or angle, (m.U or 0.0) / 2)))
        more |= {f"sag_{name}_{end}_mm": own for end in ("rear", "front")}
    more["twist_deg"] = float(np.hypot(*rolls)) / s.gauge
    more["twist_deg_per_m"] = more["twist_deg"] * 1000 / float(np.ptp(s.x))
    more["twist_mm"] = float(np.hypot(more["twist_mm"], s.gauge * np.radians(more["twist_deg"])))
    more["sag_left_less_right_mm"] = float(np.hypot(more["sag_left_less_right_mm"], np.radians(np.hypot(*rolls))))
    known = {name: m for name, m in measures.items() if name in more and m.value is not None and m.U is not None}
    return {**measures, **{n: replace(m, U=float(np.hypot(m.U or 0.0, 2 * more[n]))) for n, m in known.items()}}
