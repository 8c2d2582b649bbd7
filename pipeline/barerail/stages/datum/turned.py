"""The datum in ISO 4130 axes (x rearward, y right, z up): made in ISO 8855, turned half round about z at the end."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from barerail.geometry.frames import rigid
from barerail.records import Datum, Influence
from barerail.settings import DatumSettings, Point, other_way

HALF_TURN = np.diag([-1.0, -1.0, 1.0])
SIX = np.diag([-1.0, -1.0, 1.0, -1.0, -1.0, 1.0])
VECTORS = ("normal", "left_mm", "right_mm", "at_mm")
RANGES = ("seen_x_mm", "reference_x_mm")
FLIPPED = {"x_mm", "y_mm", "roll_deg", "pitch_deg", "across_mm", "at_rear_mm", "at_front_mm"}
TARGET = {"asked_mm", "read_mm", "residual_mm"}
"""What of the evidence changes its sign: lengths along x and y and turns about them; of targets, those along x or y."""


def forward(settings: DatumSettings) -> DatumSettings:
    """The settings with every coordinate of theirs counted x forward, y left."""
    if settings.axes == "iso8855":
        return settings
    return settings.model_copy(
        update={
            "axes": "iso8855",
            "secondary": {name: -y for name, y in settings.secondary.items()},
            "tertiary": {name: -x for name, x in settings.tertiary.items()},
            "known": {name: _flip(at) for name, at in settings.known.items()},
            "origin_x_mm": -settings.origin_x_mm,
            "reference": other_way(settings.reference),
            "matrix": settings.matrix
            and tuple(tuple(s * v for v in row) for s, row in zip((-1, -1, 1, 1), settings.matrix)),
        }
    )


def _flip(at: Point) -> Point:
    return -at[0], -at[1], at[2]


def rearward(datum: Datum) -> Datum:
    """The same datum with x rearward and y right: det +1, what was left stays left."""
    return replace(
        datum,
        car_from_scan=rigid(HALF_TURN) @ datum.car_from_scan,
        covariance=SIX @ datum.covariance @ SIX,
        axes="iso4130",
        recipe={**datum.recipe, "axes": "iso4130"},
        evidence=_evidence(datum.evidence),
        influence=tuple(Influence(i.feature, SIX @ i.matrix) for i in datum.influence),
    )


def _evidence(value: Any) -> Any:
    if isinstance(value, Mapping):
        flip = FLIPPED | (TARGET if value.get("axis") in ("x", "y") else set())
        return {key: _evidence(_turn(inner, key, flip)) for key, inner in value.items()}
    return [_evidence(inner) for inner in value] if isinstance(value, list) else value


def _turn(value: Any, key: str, flip: set[str]) -> Any:
    if key in flip and isinstance(value, float):
        return -value + 0.0
    if key in VECTORS and isinstance(value, list):
        return [-value[0] + 0.0, -value[1] + 0.0, value[2]]
    if key in RANGES and isinstance(value, list):
        return [-value[1] + 0.0, -value[0] + 0.0]
    return value
