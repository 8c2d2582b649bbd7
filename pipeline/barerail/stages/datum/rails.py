"""How the rails lie in a datum that doesn't rest on them: the angle of a floor or jig table to the frame."""

import numpy as np

from barerail.errors import DataError
from barerail.records import Array, CleanScan, Features

from .surface import surface_of
from .vertical import level_of, lows_of


def rails_to_frame(clean: CleanScan, features: Features, frame: Array) -> dict[str, float] | None:
    """Pitch and roll of the rail undersides in `frame` (x forward), degrees, right-handed about its axes: front low,
    left high are positive; their height in mm. None where there are none."""
    try:
        lows = lows_of(features, surface_of(clean), frame)
    except DataError:
        return None
    level = level_of(lows, features.noise.drift_mm, features.noise.drift_mm_per_m)
    out = {"pitch_deg": -np.degrees(np.arctan(level.slope)), "height_mm": level.height}
    if len(level.sides) == 2:
        apart = [np.mean([p.at[1] for p in level.lowest if p.left == side]) for side in (True, False)]
        rise = level.sides[0][0] - level.sides[1][0]
        out["roll_deg"] = np.degrees(np.arctan2(rise, apart[0] - apart[1]))
    return {key: round(float(value), 4) for key, value in out.items()}
