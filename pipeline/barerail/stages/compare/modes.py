"""How the frame bent between two scans: all modes at once from every point and station, the rigid motion set aside."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.drift import grown, of_sum
from barerail.geometry.trend import trend
from barerail.records import Array, Index, Measure, NoiseModel, RailShift, Shift

from .budget import PoseBudget

OPEN_MM = 10.0
"""U beyond which a mode counts as not seen (judgement)."""
LEAST_MM2 = 1e-4
"""Least variance of a displacement: 0.01 mm, for what fits alone would make too sure of."""
UNSEEN_MM = 1000.0
"""Standard uncertainty of each unknown before anything is seen: what no reading shows stays as open as that."""
FEWEST = 8
LEAST_LENGTH_MM = 400.0
UNITS = {
    "twist_deg": "deg",
    "diamond_mm": "mm",
    "sidesway_mm": "mm",
    "sag_mm": "mm",
    "sag_left_less_right_mm": "mm",
    "mash_mm": "mm",
    "length_mm": "mm",
}


def modes(
    shifts: Sequence[Shift],
    rails: Sequence[RailShift],
    noises: tuple[NoiseModel, NoiseModel],
    budget: PoseBudget,
) -> dict[str, Measure]:
    """Change of twist, diamond, sidesway, sag, mash and length over the stretch seen, each with U (k = 2).

    Weighted least squares with Tukey weights on displacements d, s from -1 at the rear to 1 at the front, W the gauge:
    twist (s / 2) (0, -(z - zm), y), diamond (y / W) ex, sidesway s^2 ey, sag s^2 ez, left less right s^2 (y / W) ez,
    mash (s / 2) (y / W) ex, length (s / 2) ex, and six columns of rigid motion. Mode shapes: usual collision-repair
    definitions. Drift of each scan adds what it does to such a reading, unknown supports what they do to the twist.
    """
    at, d, var = _displacements(shifts, rails)
    var = np.maximum(var - np.einsum("nii->ni", budget.at(at).supports), LEAST_MM2) if len(at) else var
    if len(at) < FEWEST or np.ptp(at[:, 0]) < LEAST_LENGTH_MM or not ((at[:, 1] > 50).any() and (at[:, 1] < -50).any()):
        why = f"needs {FEWEST} points or stations seen in both scans, on both sides and over {LEAST_LENGTH_MM:.0f} mm"
        return {name: Measure(None, None, unit, why) for name, unit in UNITS.items()}
    gauge, (low, high) = _gauge(at), (float(at[:, 0].min()), float(at[:, 0].max()))
    design = _design(at, gauge, low, high)
    rows, order = np.isfinite(d) & np.isfinite(var), np.argsort(at[:, 0], kind="stable")
    picked = [(k, i) for k in range(3) for i in order if rows[i, k]]
    k, i = (np.array(part) for part in zip(*picked))
    fit = trend(design[i, k] / SCALE, d[i, k], var[i, k], np.full(13, UNSEEN_MM))
    value, u = fit.value[:7] / SCALE[:7], np.sqrt(np.diag(fit.cov)[:7]) / SCALE[:7]
    drift = np.sqrt(sum(_drift(n, fit.gain[:7] / SCALE[:7, None], k, at[i], gauge, high - low) for n in noises))
    stood = np.zeros(7)
    stood[0] = budget.stood.corner / gauge if budget.stood is not None else 0.0
    out = {}
    for j, (name, unit) in enumerate(UNITS.items()):
        times = 2 * (float(np.degrees(1.0)) if unit == "deg" else 1.0)
        spread = times * float(np.sqrt(u[j] ** 2 + drift[j] ** 2 + stood[j] ** 2))
        if spread > (OPEN_MM if unit == "mm" else np.degrees(OPEN_MM / gauge)):
            why = f"what both scans show leaves it open by {spread:.1f} {unit}"
            out[name] = Measure(None, None, unit, why)
        else:
            shares = times * float(drift[j]), times * float(stood[j]) if stood[j] else None
            out[name] = Measure(times / 2 * float(value[j]), spread, unit, "", *shares)
    return _with_corner(out, gauge)


def _with_corner(measures: dict[str, Measure], gauge: float) -> dict[str, Measure]:
    """The twist as a corner height beside it."""
    twist, rest = measures["twist_deg"], {k: m for k, m in measures.items() if k != "twist_deg"}
    if twist.value is None or twist.U is None:
        return measures
    u, drift, stood = (gauge * float(np.radians(v)) if v is not None else None
                       for v in (twist.U, twist.U_drift, twist.U_supports))  # fmt: skip
    corner = Measure(gauge * float(np.tan(np.radians(twist.value))), u, "mm", "", drift, stood)
    return {"twist_deg": twist, "twist_mm": corner, **rest}


SCALE = np.array([1e-3, *[1.0] * 9, *[1e-3] * 3])
"""Sizes of the unknowns, so that their columns are alike: the twist and the turns are in rad."""


def _displacements(shifts: Sequence[Shift], rails: Sequence[RailShift]) -> tuple[Array, Array, Array]:
    """Places (n, 3), displacements (n, 3) and variances (n, 3), nan where a direction shows nothing."""
    known = [s for s in shifts if np.isfinite(s.shift).all() and s.kind not in ("tube", "rail", "tube-node")]
    known = [s for s in known if _tells(s).any()]
    at = [s.position for s in known] + [row for r in rails for row in r.at]
    d = [np.where(_tells(s), s.shift, np.nan) for s in known] + [_across(row) for r in rails for row in r.shift]
    var = [np.diag(s.cov) for s in known] + [(row / 2) ** 2 for r in rails for row in r.U]
    return tuple(np.array(part).reshape(-1, 3) for part in (at, d, var))  # type: ignore[return-value]


def _tells(s: Shift) -> NDArray[np.bool_]:
    """Directions (3,) in which a shift tells of the place: all, or of a face that along its normal."""
    own = np.diag(s.cov)
    return own > 0.9 * own.sum() if s.kind == "face" else np.ones(3, bool)


def _across(shift: Array) -> Array:
    return np.array([np.nan, shift[1], shift[2]])


def _gauge(at: Array) -> float:
    return float(np.median(at[at[:, 1] > 50, 1]) - np.median(at[at[:, 1] < -50, 1]))


def _design(at: Array, gauge: float, low: float, high: float) -> Array:
    """Columns (n, 3, 13): the seven modes, then shifts and turns of the whole."""
    s = (2 * at[:, 0] - low - high) / (high - low)
    y, z = at[:, 1], at[:, 2] - at[:, 2].mean()
    x = at[:, 0] - at[:, 0].mean()
    a = np.zeros((len(at), 3, 13))
    a[:, 1, 0], a[:, 2, 0] = -s / 2 * z, s / 2 * y
    a[:, 0, 1] = y / gauge
    a[:, 1, 2] = s**2
    a[:, 2, 3] = s**2
    a[:, 2, 4] = s**2 * y / gauge
    a[:, 0, 5] = s / 2 * y / gauge
    a[:, 0, 6] = s / 2
    a[:, range(3), range(7, 10)] = 1.0
    a[:, 1, 10], a[:, 2, 10] = -z, y
    a[:, 0, 11], a[:, 2, 11] = z, -x
    a[:, 0, 12], a[:, 1, 12] = -y, x
    return a


def _drift(noise: NoiseModel, gain: Array, k: Index, at: Array, gauge: float, length: float) -> Array:
    """Variance (7,) that one scanner's slow error puts into each mode: gain (7, n), the coordinate k (n,) of readings
    at places (n, 3). Growth along the car: independent ends of each reading."""
    slow = sum(of_sum(noise, at[k == axis], gain[:, k == axis].T) for axis in range(3))
    across, half, along = (grown(noise, d) for d in (gauge, length / 2, length))
    return np.asarray(slow + np.array([2 * across / gauge**2, across, half, half, 1.5 * across, 2 * across, along]))
