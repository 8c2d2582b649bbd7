"""How a frame is bent: twist, sidesway, diamond and the rest, each a measure with its uncertainty."""

from dataclasses import dataclass, replace

import numpy as np

from barerail.geometry.drift import grown, of_sum
from barerail.geometry.frames import direction, transform
from barerail.geometry.mirror import Mirror, pairs_of
from barerail.geometry.trend import Trend, trend
from barerail.records import Array, Datum, Features, Frozen, Measure, NoiseModel, StationPair

from .stations import Side

NO_DRAWING = "both rails alike: needs a drawing or a scan from before to compare with"
FEWEST_PAIRS = 4
BUILD_MM, BUILT = 0.3, 4.0
"""How far, one standard deviation, a left and a right feature of a true frame lie from the same x, before the pairs say
it themselves, and how many pairs that counts as (judgement)."""


@dataclass(frozen=True, eq=False)
class Stretch(Frozen):
    """The stations used, in order: x (n,), left and right centres (n, 3), variances (n, 3) of both; from and to x."""

    x: Array
    left: Array
    right: Array
    left_var: Array
    right_var: Array

    @classmethod
    def of(cls, pairs: tuple[StationPair, ...]) -> "Stretch":
        used = [p for p in pairs if p.used]
        var = [np.array([np.diag(c) for c in covs]) for covs in zip(*((p.cov_left, p.cov_right) for p in used))]
        return cls(
            np.array([p.x for p in used]), np.array([p.left for p in used]), np.array([p.right for p in used]), *var
        )

    @property
    def span(self) -> tuple[float, float]:
        return float(self.x.min()), float(self.x.max())

    @property
    def share(self) -> Array:
        """x as a share (n,), -1 at the rear and 1 at the front station."""
        low, high = self.span
        return (2 * self.x - low - high) / (high - low)

    @property
    def gauge(self) -> float:
        """Mean distance of the rail centres, mm."""
        d = self.left - self.right
        return float(np.hypot(d[:, 1], d[:, 2]).mean())


def twist(s: Stretch, noise: NoiseModel, stood: float) -> tuple[dict[str, Measure], Array]:
    """Twist as an angle, a corner height and a rate, and the weight (n,) each station had.

    A straight line through the roll atan(dz / dy) of the rail centres; front less rear. The growth of the scanner's
    drift is reckoned as two cross readings that know nothing of each other. stood: standard uncertainty in mm of a
    corner's height by how the frame stood.
    """
    line, width = _rolled(s)
    angle, gauge, length = 2 * float(line.value[1]), s.gauge, float(np.ptp(s.x))
    heights = 2 * line.gain[1] / width
    slow = drift(s, noise, heights, -heights, 2 * grown(noise, gauge) / gauge**2)
    u = 2 * float(np.sqrt(line.cov[1, 1]))
    in_mm = gauge / float(np.cos(angle)) ** 2
    deg = float(np.degrees(1.0))
    return {
        "twist_deg": measure(angle, u, slow, "deg", deg, stood / gauge),
        "twist_mm": measure(gauge * float(np.tan(angle)) / in_mm, u, slow, "mm", in_mm, stood / gauge),
        "twist_deg_per_m": measure(angle, u, slow, "deg/m", deg / length * 1000, stood / gauge),
    }, line.weight


def measure(value: float, u: float, drift: float, unit: str, times: float = 1.0, stood: float = 0.0) -> Measure:
    """A value with the standard uncertainties of the fit, of drift and of how the frame stood, all `times` a factor."""
    whole = 2 * times * float(np.sqrt(u**2 + drift**2 + stood**2))
    return Measure(times * value, whole, unit, "", 2 * times * drift, 2 * times * stood if stood else None)


def gauge_width(s: Stretch, left: Side, right: Side, noise: NoiseModel) -> Measure:
    """Mean distance of the rail centres; U of the mean, not the range of a frame that tapers."""
    var = float((s.left_var[:, 1] + s.right_var[:, 1]).mean()) / len(s.x)
    unseen = float(np.hypot(left.open[1], right.open[1]))
    reason = "one face of the rails was never seen, so their centres are not known sideways" if unseen else ""
    even = np.full(len(s.x), 1 / len(s.x))
    slow = drift(s, noise, even, -even, grown(noise, s.gauge))
    known = measure(s.gauge, float(np.hypot(np.sqrt(var), unseen)), slow, "mm")
    return replace(known, reason=reason)


def _rolled(s: Stretch) -> tuple[Trend, Array]:
    """The straight line through the roll of the rails' centres, rad by share of the length, and their distance (n,)."""
    d = s.left - s.right
    width = np.hypot(d[:, 1], d[:, 2])
    variance = (s.left_var[:, 2] + s.right_var[:, 2]) / width**2
    return trend(_straight(s), np.arctan2(d[:, 2], d[:, 1]), variance), width


def unrolled(s: Stretch) -> Stretch:
    """The stretch without what the frame's roll moves: kicked-up parts aside, the rails of wider ones up and down.

    The roll is the straight line of `twist`, its axis at the mean height and in the middle of the mean width.
    """
    line, width = _rolled(s)
    turn, height = _straight(s) @ line.value, (s.left[:, 2] + s.right[:, 2]) / 2
    var = np.einsum("ni,ij,nj->n", _straight(s), line.cov, _straight(s))
    arms = height - height.mean(), (width - width.mean()) / 2
    aside, up = (np.outer(turn * arm, axis) for arm, axis in zip(arms, np.eye(3)[1:], strict=True))
    more = np.column_stack([np.zeros_like(var), var * arms[0] ** 2, var * arms[1] ** 2])
    return Stretch(s.x, s.left + aside - up, s.right + aside + up, s.left_var + more, s.right_var + more)


def centreline(s: Stretch) -> Trend:
    """The parabola through the mid-line of unrolled rails."""
    return _parabola(s, (s.left[:, 1] + s.right[:, 1]) / 2, (s.left_var[:, 1] + s.right_var[:, 1]) / 4)


def sidesway(s: Stretch, curve: Trend, noise: NoiseModel) -> Measure:
    """How far the ends of the centreline lie left of its middle. Growth of the drift: over half of the length."""
    slow = drift(s, noise, curve.gain[2] / 2, curve.gain[2] / 2, grown(noise, float(np.ptp(s.x)) / 2))
    return measure(float(curve.value[2]), float(np.sqrt(curve.cov[2, 2])), slow, "mm")


def sag_difference(s: Stretch, noise: NoiseModel) -> Measure:
    """How much more the left rail sags than the right one: parabola of the height difference, ends less middle; of
    unrolled rails."""
    curve = _parabola(s, s.left[:, 2] - s.right[:, 2], s.left_var[:, 2] + s.right_var[:, 2])
    slow = drift(s, noise, curve.gain[2], -curve.gain[2], 1.5 * grown(noise, s.gauge))
    return measure(float(curve.value[2]), float(np.sqrt(curve.cov[2, 2])), slow, "mm")


def diamond_and_mash(s: Stretch, features: Features, datum: Datum, curve: Trend) -> tuple[Measure, Measure]:
    """Left rail ahead of the right one at the gauge width, and longer than it, from left/right pairs of features.

    Each pair's dx, its width w: dx + yaw w = (diamond + mash s / 2) w / gauge, s from -1 at the rear to 1 at the front
    station, the yaw that of the rails' centreline, `curve`. The diamond's drift holds the yaw's own.
    """
    pairs = Pairs.of(features, datum)
    low, high = s.span
    place = (2 * pairs.x - low - high) / (high - low)
    wide = len(place) >= FEWEST_PAIRS and float(np.ptp(place)) > 0.8
    if len(place) < FEWEST_PAIRS:
        why = f"needs {FEWEST_PAIRS} left/right pairs of features, {len(place)} were found"
        return Measure(None, None, "mm", why), Measure(None, None, "mm", why)
    gauge, noise, length = s.gauge, features.noise, float(np.ptp(s.x))
    yaw, yaw_var = 2 * float(curve.value[1]) / length, 4 * float(curve.cov[1, 1]) / length**2
    shear = pairs.width / gauge
    columns = [shear, shear * place / 2] if wide else [shear]
    fit = _built(np.column_stack(columns), pairs.ahead + yaw * pairs.width, pairs.var)
    turned = curve.gain[1] / length * float(fit.gain[0] @ pairs.width)
    along, grows = pairs.drift(noise, fit.gain), grown(noise, gauge)
    slow = float(np.hypot(np.sqrt(along[0]), drift(s, noise, turned, turned, 2 * grows)))
    u = float(np.sqrt(fit.cov[0, 0] + (yaw_var + _axis_unknown(s) ** 2) * gauge**2))
    diamond = measure(float(fit.value[0]), u, slow, "mm")
    if not wide:
        return diamond, Measure(None, None, "mm", "the pairs found cover less than 40 % of the rails' length")
    slow = float(np.sqrt(along[1] + 2 * grows))
    return diamond, measure(float(fit.value[1]), float(np.sqrt(fit.cov[1, 1])), slow, "mm")


def _axis_unknown(s: Stretch) -> float:
    """Standard uncertainty in rad of the centreline's yaw by the height of the twist's axis, which no scan shows."""
    height = (s.left[:, 2] + s.right[:, 2]) / 2
    return abs(float(_rolled(s)[0].value[1])) * 2 / float(np.ptp(s.x)) * float(height.std())


def _built(design: Array, readings: Array, variance: Array) -> Trend:
    """The fit with the scatter of the frame's own build on top of the fits', as these pairs show it."""
    first = trend(design, readings, variance + BUILD_MM**2)
    kept = first.weight > 0
    free = max(float(kept.sum()) - design.shape[1], 0.0)
    miss = ((readings - design @ first.value) ** 2 - variance)[kept]
    seen = max(float(miss.mean()), 0.0) * len(miss)
    return trend(design, readings, variance + (BUILT * BUILD_MM**2 + seen) / (BUILT + free))


@dataclass(frozen=True, eq=False)
class Pairs(Frozen):
    """Left/right pairs of features by x: left and right (n, 3) in car axes, and variance (n,) of left less right x."""

    left: Array
    right: Array
    var: Array

    @classmethod
    def of(cls, features: Features, datum: Datum) -> "Pairs":
        m = datum.car_from_scan
        found = pairs_of(features.found, np.zeros(3), Mirror(m[1, :3], -float(m[1, 3])))
        ahead = direction(m, np.eye(3))[:, 0]
        sides = (np.array([features.found[i].point for i in rows]).reshape(-1, 3)
                 for rows in ([p.left for p in found], [p.right for p in found]))  # fmt: skip
        left, right = (transform(m, at) for at in sides)
        var = np.array([float(ahead @ p.cov @ ahead) for p in found])
        order = np.argsort(left[:, 0] + right[:, 0], kind="stable")
        return cls(left[order], right[order], var[order])

    @property
    def x(self) -> Array:
        return (self.left[:, 0] + self.right[:, 0]) / 2

    @property
    def ahead(self) -> Array:
        return self.left[:, 0] - self.right[:, 0]

    @property
    def width(self) -> Array:
        return self.left[:, 1] - self.right[:, 1]

    def drift(self, noise: NoiseModel, gain: Array) -> Array:
        """Variances (k,) that drift_mm puts into sums of `ahead`, gain (k, n)."""
        return of_sum(noise, np.vstack([self.left, self.right]), np.hstack([gain, -gain]).T)


def drift(s: Stretch, noise: NoiseModel, left: Array, right: Array, growth: float) -> float:
    """Standard uncertainty that the scanner's drift puts into a sum of one coordinate of the rail centres.

    left, right (n,): weights of the stations. growth: variance by drift_mm_per_m."""
    places, weights = np.vstack([s.left, s.right]), np.concatenate([left, right])[:, None]
    return float(np.sqrt(of_sum(noise, places, weights)[0] + growth))


def rail_roll(side: Side, span: tuple[float, float], noise: NoiseModel, stood: float) -> Measure:
    """How far the rail's own section turns from the rear to the front station, positive: left edge up at the front.

    Drift within one section is its slope alone: drift_mm over a metre and drift_mm_per_m, at both ends.
    """
    x = side.centre[:, 0]
    inside = np.isfinite(side.roll) & (x >= span[0] - 1) & (x <= span[1] + 1)
    if inside.sum() < 4:
        return Measure(None, None, "deg", "round tubes show no roll" if len(x) else "no stations")
    share = (2 * x[inside] - sum(span)) / (span[1] - span[0])
    line = trend(np.column_stack([np.ones_like(share), share]), side.roll[inside], side.roll_var[inside])
    slow = float(np.sqrt(2 * (2 * noise.drift_mm**2 + noise.drift_mm_per_m**2))) / 1000
    u = 2 * float(np.sqrt(line.cov[1, 1]))
    return measure(2 * float(line.value[1]), u, slow, "deg", float(np.degrees(1.0)), stood)


def _straight(s: Stretch) -> Array:
    return np.column_stack([np.ones_like(s.x), s.share])


def _parabola(s: Stretch, readings: Array, variance: Array) -> Trend:
    return trend(np.column_stack([np.ones_like(s.x), s.share, s.share**2]), readings, variance)
