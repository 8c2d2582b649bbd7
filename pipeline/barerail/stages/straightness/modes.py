"""The modes a frame bends in, each a weighted robust straight line or parabola, with noise and drift in U.

Drift: two points L mm apart differ by a slow scanner error of standard uncertainty sqrt(2) d + r L / 1000 in each
coordinate, with d = drift_mm and r = drift_mm_per_m: the two parts add as they do in a scanner's stated a + b L.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from barerail.geometry.robust import mad_scale, tukey_weights
from barerail.records import Array, Measure, NoiseModel, StationPair
from barerail.stages.straightness.pairs import Lengthwise


def drift_variance(noise: NoiseModel, length: float) -> float:
    """Variance in mm2 of the drift between two points `length` mm apart, one coordinate."""
    return float(np.sqrt(2) * noise.drift_mm + noise.drift_mm_per_m * length / 1000) ** 2


def _robust(design: Array, y: Array, u: Array) -> tuple[Array, Array]:
    """Weighted Tukey least squares: coefficients (p,) and covariance (p, p), spread as found or as told, the larger."""
    weight = 1 / u**2
    for _ in range(12):
        root = np.sqrt(weight)
        x = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        r = (y - design @ x) / u
        weight = np.maximum(tukey_weights(r, scale=max(mad_scale(r), 1.0)), 1e-9) / u**2
    used = weight * u**2
    spread = float(used @ r**2) / max(float(used.sum()) - design.shape[1], 1.0)
    return np.asarray(x, float), np.linalg.inv(design.T @ (weight[:, None] * design)) * max(spread, 1.0)


def twist(used: Sequence[StationPair], gauge: float, noise: NoiseModel) -> Mapping[str, Measure]:
    """Frame twist front less rear from the line through all stations' roll angles.

    Drift between the rails enters twice, once at each end.
    """
    x = np.array([s.x for s in used])
    angle = np.array([s.twist_deg for s in used])
    u = np.array([max(s.U_twist_deg / 2, 1e-6) for s in used])
    run = float(x[-1] - x[0])
    t = (x - x.mean()) / run
    line, cov = _robust(np.column_stack([np.ones(len(t)), t]), angle, u)
    drift = float(np.degrees(np.sqrt(2 * drift_variance(noise, gauge)) / gauge))
    total = 2 * float(np.sqrt(cov[1, 1] + drift**2))
    value = float(line[1])
    mm = gauge * np.tan(np.radians(value)), gauge * np.radians(total)
    return {
        "twist_deg": Measure(value, total, "deg"),
        "twist_mm": Measure(float(mm[0]), float(mm[1]), "mm"),
        "twist_deg_per_m": Measure(value / run * 1000, total / run * 1000, "deg/m"),
        "twist_drift_share_deg": Measure(2 * drift, None, "deg", "part of the twist's U that is assumed scanner drift"),
    }


def sidesway(used: Sequence[StationPair], noise: NoiseModel) -> Mapping[str, Measure]:
    """How far the ends of the rails' mid-line lie to the left of its middle, from a parabola through all stations."""
    x, y, u = _midline(used)
    half = float(x[-1] - x[0]) / 2
    t = (x - (x[0] + x[-1]) / 2) / half
    curve, cov = _robust(np.column_stack([np.ones(len(t)), t, t**2]), y, u)
    total = 2 * float(np.sqrt(cov[2, 2] + drift_variance(noise, half)))
    return {"sidesway_mm": Measure(float(curve[2]), total, "mm")}


def _midline(used: Sequence[StationPair]) -> tuple[Array, Array, Array]:
    x = np.array([s.x for s in used])
    y = np.array([(s.left[1] + s.right[1]) / 2 for s in used])
    u = np.array([np.sqrt(s.cov_left[1, 1] + s.cov_right[1, 1]) / 2 for s in used])
    return x, y, np.maximum(u, 1e-6)


def pair_modes(pairs: Lengthwise, used: Sequence[StationPair], gauge: float, noise: NoiseModel) -> dict[str, Measure]:
    """Diamond and mash from how far left features lie ahead of right ones, yaw taken from the rails' mid-line.

    Pair vectors would absorb the diamond in the yaw. Drift counts once for each metre of car that has pairs.
    """
    if len(pairs.x) < 3:
        why = f"needs three left/right pairs of holes or brackets; {len(pairs.x)} found"
        return {"diamond_mm": Measure(None, None, "mm", why), "mash_mm": Measure(None, None, "mm", why)}
    x, y, u = _midline(used)
    slope, cov_slope = _robust(np.column_stack([np.ones(len(x)), x - x.mean()]), y, u)
    yaw, u_yaw = float(slope[1]), float(np.sqrt(cov_slope[1, 1]))
    ahead = (pairs.ahead + yaw * pairs.width) * gauge / pairs.width
    run = float(x[-1] - x[0])
    t = (pairs.x - pairs.x.mean()) / run
    own = np.maximum(pairs.u * gauge / pairs.width, 0.05)
    drift = drift_variance(noise, gauge)
    length_known = np.ptp(pairs.x) > 0.4 * run
    design = np.column_stack([np.ones(len(t)), t]) if length_known else np.ones((len(t), 1))
    line, cov = _robust(design, ahead, own)
    parts = max(np.ptp(pairs.x) / 1000, 1.0)
    lean = gauge * np.sqrt(u_yaw**2 + drift_variance(noise, run) / run**2)
    modes = {"diamond_mm": Measure(float(line[0]), 2 * float(np.sqrt(cov[0, 0] + drift / parts + lean**2)), "mm")}
    if length_known:
        modes["mash_mm"] = Measure(float(line[1]), 2 * float(np.sqrt(cov[1, 1] + 2 * drift)), "mm")
    else:
        modes["mash_mm"] = Measure(None, None, "mm", "pairs lie too close together along the car")
    return modes


def rails_roll(used: Sequence[StationPair]) -> dict[str, Measure]:
    """How much the rails' own sections turn from rear to front, mean of left and right: bends by design cancel."""
    x = np.array([s.x for s in used])
    roll = np.array([np.mean(s.roll_deg) for s in used])
    seen = np.isfinite(roll)
    if seen.sum() < 4:
        return {}
    t = (x - x.mean()) / float(x[-1] - x[0])
    u = np.full(int(seen.sum()), max(mad_scale(np.diff(roll[seen])) / np.sqrt(2), 1e-3))
    line, cov = _robust(np.column_stack([np.ones(len(t)), t])[seen], roll[seen], u)
    return {"rails_roll_deg": Measure(float(line[1]), 2 * float(np.sqrt(cov[1, 1])), "deg")}
