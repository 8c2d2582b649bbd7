"""What joining scans adds to the scanner's slow error: every uncertainty that knows drift then knows the joints."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from barerail.records import NoiseModel, Note, Source, Tie

WITHIN_MM = 300.0
"""A scan that goes on less than this from what it shares is a detail or fills in: it moves nothing else (judgement)."""


def with_joints(noise: NoiseModel, sources: Sequence[Source]) -> tuple[NoiseModel, tuple[Note, ...]]:
    """The noise model with the joints in its drift, and what to say of that; as it was for a single scan.

    With u the standard uncertainty of a joined scan where it is tied (mm) and w that of its turn (mm per m), the worst
    scan counts. One that goes on from its tie by R: drift_mm^2 + u^2, and drift_mm_per_m^2 (1 + joints) + w^2, since
    the drift over what is shared turns all that lies beyond. One that stays within: drift_mm^2 + u^2 + (w R)^2.
    """
    ties = [s.tie for s in sources if s.tie is not None]
    if not ties:
        return noise, ()
    parts = [_added(tie, noise.drift_mm_per_m) for tie in ties]
    offset, slope = np.max(parts, axis=0)
    drift_mm, per_m = float(np.sqrt(noise.drift_mm**2 + offset)), float(np.sqrt(noise.drift_mm_per_m**2 + slope))
    text = f"joined scans: drift counts as {drift_mm:.3g} mm and {per_m:.3g} mm per m (1 sd), the joints in it"
    return replace(noise, drift_mm=drift_mm, drift_mm_per_m=per_m), (Note("fit", text),)


def _added(tie: Tie, per_m: float) -> tuple[float, float]:
    """Variances that a tie adds to drift_mm (mm2) and to drift_mm_per_m (mm2 per m2)."""
    u2, w2 = (float(np.linalg.eigvalsh(part)[-1]) for part in (tie.cov[:3, :3], tie.cov[3:, 3:]))
    if tie.reach_mm < WITHIN_MM:
        return u2 + w2 * tie.reach_mm**2, 0.0
    return u2, tie.joints * per_m**2 + w2 * 1000**2
