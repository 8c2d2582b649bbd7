"""How a chassis is bent in truth: frame modes along the rails, a bump on one side, the pull of a weld."""

import numpy as np

from barerail.records import Array
from barerail.scene.case import SceneCase
from barerail.scene.layout import Chassis


class Bend:
    """Maps points of the chassis as designed to the chassis as it stands, both in car axes, (n, 3) mm.

    With s from -1 at the rear to 1 at the front of the rails: twist turns by twist_deg s / 2 about the line along x at
    y = 0, z = `twist_z`; diamond and mash move forward by (diamond_mm + mash_mm s / 2) y / gauge width; sway and sag
    move the ends left and up by sway_mm s^2 and sag_mm s^2. Mode shapes: usual collision-repair definitions.
    """

    def __init__(self, case: SceneCase, chassis: Chassis, rng: np.random.Generator) -> None:
        self._case, self._z, self._gauge = case, chassis.twist_z, 2 * chassis.half_gauge
        low, high = chassis.x_range
        self._middle, self._half = (low + high) / 2, (high - low) / 2
        self._bump_x = float(rng.uniform(low, high))
        self._bump_side = float(rng.choice([-1.0, 1.0]))
        push = rng.normal(size=3) * [0.3, 1.0, 1.0]
        self._push = push / np.linalg.norm(push)
        self._weld_x = float(rng.uniform(low + 0.2 * (high - low), high - 0.2 * (high - low)))
        self._weld_side = float(rng.choice([-1.0, 1.0]))
        pull = rng.normal(size=3) * [0.3, 1.0, 1.0]
        self._pull = pull / np.linalg.norm(pull)

    def pull(self, points: Array) -> Array:
        """Displacement by the weld as a share of its size, (n,)."""
        off = np.column_stack([points[:, 0] - self._weld_x, points[:, 1] - self._weld_side * self._gauge / 2])
        return np.exp(-(off**2).sum(axis=1) / (2 * self._case.pull_reach_mm**2))

    def bump(self, points: Array) -> Array:
        """Displacement by the one-sided bump as a share of its height, (n,): half the rails long, smooth, then none."""
        run = np.clip(1 - ((points[:, 0] - self._bump_x) / (0.5 * self._half)) ** 2, 0, None) ** 3
        u = np.clip(self._bump_side * points[:, 1] / (0.5 * self._gauge), 0, 1)
        return run * u * u * (3 - 2 * u)

    def __call__(self, points: Array) -> Array:
        case = self._case
        s = (points[:, 0] - self._middle) / self._half
        q = points + case.asymmetry_mm * self.bump(points)[:, None] * self._push
        if case.pull_mm:
            q = q + case.pull_mm * self.pull(points)[:, None] * self._pull
        q[:, 0] += (case.diamond_mm + case.mash_mm * s / 2) * points[:, 1] / self._gauge
        q[:, 1] += case.sway_mm * s**2
        q[:, 2] += case.sag_mm * s**2
        turn = np.radians(case.twist_deg) / 2 * s
        y, z = q[:, 1].copy(), q[:, 2] - self._z
        q[:, 1] = np.cos(turn) * y - np.sin(turn) * z
        q[:, 2] = np.sin(turn) * y + np.cos(turn) * z + self._z
        return q
