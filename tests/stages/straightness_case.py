"""A ladder frame bent by known amounts, and what straightness says of it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from datum_case import GAUGE, KICKED, features_of, some_pose, straight, twisted

from barerail.geometry.frames import invert
from barerail.records import (
    Array,
    Datum,
    Features,
    NoiseModel,
    Straightness,
)
from barerail.settings import StraightnessSettings
from barerail.stages.straightness import straightness

QUIET = NoiseModel(0.1, 0.0, 5.0, 0.0, 0.0)
LOW, HIGH = -900.0, 2100.0
KNOWN = StraightnessSettings(supports_known=True)


def car(seed: int = 1) -> Datum:
    return Datum(invert(some_pose(seed)), np.eye(6) * 1e-8, "iso8855", "", "given", (), {}, {}, "mm", 1.0)


def bent(
    *, twist: float = 0.0, diamond: float = 0.0, sway: float = 0.0, sag: float = 0.0, yaw: float = 0.0
) -> Callable[[Array], Array]:
    """Modes by their usual definitions, s from -1 at the rear to 1 at the front; yaw in rad: the datum's own error."""
    turn = twisted(twist, LOW, HIGH)

    def bend(p: Array) -> Array:
        s = (2 * p[:, 0] - LOW - HIGH) / (HIGH - LOW)
        q = turn(p) + np.column_stack([diamond * p[:, 1] / GAUGE, sway * s**2, -sag * s**2])
        return q + np.column_stack([-yaw * q[:, 1], yaw * q[:, 0], np.zeros(len(q))])

    return bend


def measure(bend: Callable[[Array], Array] = straight, noise: NoiseModel = QUIET, **settings: object) -> Straightness:
    features = replace(features_of(KICKED, bend, some_pose(1)), noise=noise)
    return straightness(features, car(), StraightnessSettings(**settings))


def shaken(features: Features, rng: np.random.Generator, dz: Array, sd: float = 0.01) -> Features:
    """Station noise, and the left rail raised by dz[0] at the rear to dz[1] at the front, as drift would."""
    up = some_pose(1)[:3, 2]
    rails = []
    for side, rail in enumerate(features.rails):
        lift = np.linspace(dz[0], dz[1], len(rail.stations)) * (side == 0)
        stations = [
            replace(s, centre=s.centre + sd * (rng.normal(size=2) @ s.axes[1:]) + h * up)
            for s, h in zip(rail.stations, lift)
        ]
        rails.append(replace(rail, stations=tuple(stations)))
    return replace(features, rails=tuple(rails))


def value(s: Straightness, name: str) -> float:
    v = s.measures[name].value
    assert v is not None
    return v
