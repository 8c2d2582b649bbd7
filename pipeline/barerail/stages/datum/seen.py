"""How far along the car the chassis was seen."""

import numpy as np

from barerail.records import CHASSIS, Array, CleanScan


def seen(clean: CleanScan, frame: Array) -> list[float]:
    """x in mm of the rear and the front end of the chassis that was seen."""
    x = clean.thin[clean.label == CHASSIS] @ frame[0, :3] + frame[0, 3]
    return [round(float(v), 0) for v in np.quantile(x, [0.002, 0.998])]
