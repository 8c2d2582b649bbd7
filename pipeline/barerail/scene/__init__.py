"""Simulated chassis and scanners with known truth, for the demo, the tests and the calibration."""

from barerail.scene.case import SceneCase, Simulated, demo_case
from barerail.scene.simulate import make, write

__all__ = ["SceneCase", "Simulated", "demo_case", "make", "write"]
