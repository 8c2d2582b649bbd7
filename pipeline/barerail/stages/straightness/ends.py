"""Sidesway, twist and sag of each end of the frame, and of each rail there, off the line through a section of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.drift import grown
from barerail.geometry.trend import trend
from barerail.records import Array, Frozen, Measure, NoiseModel

from .modes import Stretch, drift, measure
from .reference import FEWEST, rest, section

LEVEL_DEG = 3.0
"""Turn of a rail against its own reference section beyond which its place there is by design, degrees."""
ENDS = ("rear", "front")
UNITS = {
    "sidesway": "mm",
    "sag_left_less_right": "mm",
    "twist": "deg",
    "sidesway_left": "mm",
    "sidesway_right": "mm",
    "sag_left": "mm",
    "sag_right": "mm",
}
"""What is said of each end: the first two always, the others against a section that the user takes as undamaged."""
NAMES = {f"{what}_{end}_{unit}": unit for end in ENDS for what, unit in UNITS.items()}
KICKED = "the rail rises or falls there by design: its sag can't be told without a drawing or a scan from before"
FLARED = "the rail runs in or out there by design: its sidesway can't be told without a drawing or a scan from before"
ALONE = "needs a section that you take as undamaged (--reference), a drawing or a scan from before"
KICKED_ALONE = f"on a rail that rises or falls by design sag means nothing by itself: {ALONE}"
INSIDE = "that end lies in the reference section"
SHORT = f"fewer than {FEWEST} stations beyond it"
BENT = "the rest of the frame isn't straight, and one scan can't say which end is bent: needs --reference"


def ends(s: Stretch, reference: str, noise: NoiseModel, stood: float) -> dict[str, Measure]:
    """Of each end: NAMES, each with U or the reason why not.

    Off the lines through the reference section, or where none is named, of what left and right show together, through
    the two thirds of the length away from the end, so far as these are straight themselves. The lines are read on to
    the end's last station, with the uncertainty that this has. stood: standard uncertainty in mm of a corner's height
    by how the frame stood.
    """
    inside = section(reference, s.x) if reference else None
    out: dict[str, Measure] = {}
    for end, row in zip(ENDS, (int(np.argmin(s.x)), int(np.argmax(s.x)))):
        found = _End(s, rest(s.x, row) if inside is None else inside, row, noise, stood).measures(inside is not None)
        out |= {f"{what}_{end}_{unit}": found[what] for what, unit in UNITS.items()}
    return out


@dataclass(frozen=True, eq=False)
class _Off(Frozen):
    """A reading less the line through others: value, standard uncertainty of the fits, weight (n,) of each reading."""

    value: float
    u: float
    weights: Array


@dataclass(frozen=True, eq=False)
class _End(Frozen):
    """The end station `row`, and which stations (n,) the lines go through."""

    s: Stretch
    inside: NDArray[np.bool_]
    row: int
    noise: NoiseModel
    stood: float

    def measures(self, named: bool) -> dict[str, Measure]:
        """By what is said; named: the section was, by the user."""
        if self.inside[self.row] or self.inside.sum() < FEWEST:
            why = INSIDE if self.inside[self.row] else SHORT
            return {what: Measure(None, None, unit, why) for what, unit in UNITS.items()}
        return {"sidesway": self._middle(named), "sag_left_less_right": self._lower(named), **self._named(named)}

    def _middle(self, named: bool) -> Measure:
        s = self.s
        y, var = (s.left[:, 1] + s.right[:, 1]) / 2, (s.left_var[:, 1] + s.right_var[:, 1]) / 4
        if not named and self._bent(y, var, 0.5, 0.5, grown(self.noise, float(np.ptp(s.x[self.inside])) / 2)):
            return Measure(None, None, "mm", BENT)
        off = self._off(y, var, 1)
        return measure(off.value, off.u, drift(s, self.noise, off.weights / 2, off.weights / 2, self._grows), "mm")

    def _lower(self, named: bool) -> Measure:
        s = self.s
        y, var = s.left[:, 2] - s.right[:, 2], s.left_var[:, 2] + s.right_var[:, 2]
        if not named and self._bent(y, var, 1.0, -1.0, 1.5 * grown(self.noise, s.gauge)):
            return Measure(None, None, "mm", BENT)
        off = self._off(y, var, 1)
        slow = drift(s, self.noise, off.weights, -off.weights, 2 * grown(self.noise, s.gauge))
        return measure(-off.value, off.u, slow, "mm", 1.0, self.stood)

    def _named(self, named: bool) -> dict[str, Measure]:
        s, sides = self.s, {"left": (self.s.left, self.s.left_var, 1.0), "right": (self.s.right, self.s.right_var, 0.0)}
        out = {"twist": self._twist() if named else Measure(None, None, "deg", ALONE)}
        for side, (at, var, left) in sides.items():
            for what, k, sign, why in (("sidesway", 1, 1.0, FLARED), ("sag", 2, -1.0, KICKED)):
                turns = self._turns(at[:, k])
                if not named or turns:
                    alone = KICKED_ALONE if what == "sag" and turns else ALONE
                    out[f"{what}_{side}"] = Measure(None, None, "mm", why if named else alone)
                    continue
                off = self._off(at[:, k], var[:, k], 1)
                slow = drift(s, self.noise, off.weights * left, off.weights * (1 - left), self._grows)
                stood = self.stood if what == "sag" else 0.0
                out[f"{what}_{side}"] = measure(sign * off.value, off.u, slow, "mm", 1.0, stood)
        return out

    def _twist(self) -> Measure:
        s, d = self.s, self.s.left - self.s.right
        width = np.hypot(d[:, 1], d[:, 2])
        off = self._off(np.arctan2(d[:, 2], d[:, 1]), (s.left_var[:, 2] + s.right_var[:, 2]) / width**2, 0)
        across = off.weights / width
        slow = drift(s, self.noise, across, -across, 2 * grown(self.noise, s.gauge) / s.gauge**2)
        return measure(off.value, off.u, slow, "deg", float(np.degrees(1.0)), self.stood / s.gauge)

    def _bent(self, y: Array, var: Array, left: float, right: float, growth: float) -> bool:
        """Whether the stations inside curve by more than U, ends less middle of the parabola through them.

        left, right: what each rail adds to y. growth: variance of that curve by drift_mm_per_m."""
        x = self.s.x[self.inside]
        share = (2 * x - x.min() - x.max()) / np.ptp(x)
        curve = trend(np.vander(share, 3), y[self.inside], var[self.inside])
        weights = np.zeros(len(y))
        weights[self.inside] = curve.gain[0]
        slow = drift(self.s, self.noise, weights * left, weights * right, growth)
        return abs(float(curve.value[0])) > 2 * float(np.hypot(slow, curve.cov[0, 0] ** 0.5))

    @property
    def _grows(self) -> float:
        return grown(self.noise, abs(float(self.s.x[self.row] - self.s.x[self.inside].mean())))

    def _turns(self, at: Array) -> bool:
        """Whether the rail leaves the way it runs in the section, by design, on to the end."""
        x, line = self.s.x, np.polyfit(self.s.x[self.inside], at[self.inside], 1)
        off = at - np.polyval(line, x)
        beyond = (x - x[self.row]) * np.sign(x[self.inside].mean() - x[self.row]) <= self._to_section
        steep = np.abs(np.diff(off[beyond]) / np.diff(x[beyond])).max(initial=0.0)
        return bool(np.degrees(np.arctan(steep)) > LEVEL_DEG)

    @property
    def _to_section(self) -> float:
        return float(np.abs(self.s.x[self.inside] - self.s.x[self.row]).min())

    def _off(self, y: Array, var: Array, degree: int) -> _Off:
        """The end's reading less the line (degree 1) or the mean (0) through those inside."""
        x, inside, row = self.s.x, self.inside, self.row
        columns = np.vander((x - float(x[inside].mean())) / 1000, degree + 1, increasing=True)
        line = trend(columns[inside], y[inside], var[inside])
        weights = np.zeros(len(x))
        weights[row] = 1.0
        weights[inside] -= columns[row] @ line.gain
        return _Off(float(weights @ y), float(columns[row] @ line.cov @ columns[row] + var[row]) ** 0.5, weights)
