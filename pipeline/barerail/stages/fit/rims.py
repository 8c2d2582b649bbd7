"""What noise that hangs together does to the rim of a hole or slot: it moves the wall along its own normal."""

import numpy as np

from barerail.geometry.covariance import propagate
from barerail.records import Array, NoiseModel


def hangs_together(noise: NoiseModel, radius: float, steps: int = 90) -> Array:
    """Variances (3,) in mm2 of x, y, radius from noise that hangs together and moves the wall along its own normal.

    The rim's mean and first harmonic of a field with covariance corr^2 exp(-(chord / length)^power): what moves the
    whole rim outward changes the radius alone, what differs from side to side moves the centre.
    """
    turn = np.linspace(0, 2 * np.pi, steps, endpoint=False)
    like = np.exp(-((2 * radius * np.abs(np.sin(turn / 2)) / noise.corr_length_mm) ** noise.power))
    even, sideways = float(like.mean()), float((like * np.cos(turn)).mean())
    return noise.corr_mm**2 * np.array([2 * sideways, 2 * sideways, even])


def slot_together(noise: NoiseModel, slot: Array, steps: int = 160) -> Array:
    """Covariance (5, 5) of a slot (x, y, direction, half length, r), mm and rad, from noise that hangs together.

    The least-squares slot through its rim: a move of the wall along its normal is a shift, a turn, a longer slot at the
    ends alone, or a wider one.
    """
    half, r = float(slot[3]), float(slot[4])
    step = (2 * np.pi * r + 4 * half) / steps
    turn, x = np.arange(0, 2 * np.pi, step / r), np.arange(step / 2 - half, half, step)
    round_ = np.column_stack([np.cos(turn), np.sin(turn)])
    flank = np.column_stack([np.zeros(2 * len(x)), np.repeat([1.0, -1.0], len(x))])
    out = np.vstack([round_, flank])
    at = r * out + np.column_stack([np.concatenate([half * np.sign(round_[:, 0]), np.tile(x, 2)]), 0 * out[:, 0]])
    along = np.array([np.cos(slot[2]), np.sin(slot[2])])
    frame = np.array([along, [-along[1], along[0]]])
    turned = at[:, 0] * out[:, 1] - at[:, 1] * out[:, 0]
    moved = np.column_stack([out @ frame, turned, np.abs(out[:, 0]), np.ones(len(out))])
    return propagate(moved, at, NoiseModel(0.0, noise.corr_mm, noise.corr_length_mm, 0.0, 0.0, noise.power))
