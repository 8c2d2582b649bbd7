"""A rail or box cross-member: a section swept along a bent path, and seats on its faces to fix things to."""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
from manifold3d import Manifold

from barerail.records import Array
from barerail.scene.parts import Mark, circle, frames, round_rectangle, sweep, unit

Face = Literal["top", "bottom", "outer", "inner"]
BEND_STEPS = 8


@dataclass(frozen=True, eq=False)
class Seat:
    """A place on a face: point, normal out of it, long direction; `across` is normal x along.

    sink: how deep a welded-on solid reaches into its base, so that they become one solid, mm.
    """

    p: Array
    n: Array
    along: Array
    sink: float = 1.0

    @property
    def across(self) -> Array:
        return np.cross(self.n, self.along)

    def moved(self, along: float = 0.0, across: float = 0.0, out: float = 0.0) -> "Seat":
        return replace(self, p=self.p + along * self.along + across * self.across + out * self.n)


@dataclass(frozen=True, eq=False)
class Rail:
    """corners (k, 3): where the straight pieces of the centreline meet; each is bent with radius `bend`.

    Sections: box w by h, wall t, outer corner radius 2 t; channel with its web on the outer (left) side; tube of
    diameter w = h.
    """

    corners: Array
    w: float
    h: float
    t: float
    section: Literal["box", "channel", "tube"] = "box"
    bend: float = 150.0
    capped: bool = False

    @cached_property
    def _cut_back(self) -> Array:
        """How far each bend starts before its corner, (k,), zero at the ends."""
        along = np.diff(self.corners, axis=0)
        along /= np.linalg.norm(along, axis=1)[:, None]
        angle = np.arccos(np.clip(np.einsum("ij,ij->i", along[:-1], along[1:]), -1, 1))
        return np.concatenate([[0.0], self.bend * np.tan(angle / 2), [0.0]])

    def length(self, piece: int) -> float:
        """Straight length of a piece, bends taken off."""
        whole = float(np.linalg.norm(self.corners[piece + 1] - self.corners[piece]))
        return whole - float(self._cut_back[piece] + self._cut_back[piece + 1])

    @cached_property
    def path(self) -> Array:
        """The centreline with its bends in short steps, (m, 3)."""
        out = [self.corners[:1]]
        for a, c, b, back in zip(self.corners, self.corners[1:], self.corners[2:], self._cut_back[1:]):
            out.append(arc(c, unit(c - a), unit(b - c), back, BEND_STEPS))
        return np.vstack([*out, self.corners[-1:]])

    def solid(self) -> Manifold:
        if self.section == "tube":
            return sweep(circle(self.w / 2), self.path)
        outer, inner = self._outlines()
        return sweep(outer, self.path) - sweep(inner, _ends(self.path, -self.t if self.capped else 1.0))

    def _outlines(self) -> tuple[Array, Array]:
        if self.section == "box":
            t = self.t
            return round_rectangle(self.w, self.h, 2 * t), round_rectangle(self.w - 2 * t, self.h - 2 * t, t)
        far = [-2 * self.t, 0.0]
        outer = round_rectangle(self.w + 4 * self.t, self.h, 2 * self.t) + far
        outer[:, 0] = np.maximum(outer[:, 0], -self.w / 2)
        return outer, round_rectangle(self.w + 2 * self.t, self.h - 2 * self.t, self.t) + far

    def on(self, piece: int, at: float, face: Face) -> Seat:
        """The middle of a face, `at` mm from the start of the straight part of a piece."""
        along, left, up = (v[0] for v in frames(self.corners[piece : piece + 2]))
        p = self.corners[piece] + along * (self._cut_back[piece] + at)
        n, half = {
            "top": (up, self.h / 2),
            "bottom": (-up, self.h / 2),
            "outer": (left, self.w / 2),
            "inner": (-left, self.w / 2),
        }[face]
        return Seat(p + n * half, n, along, self.w / 2 if self.section == "tube" else 1.0)

    def landing(self, seat: Seat) -> Array:
        """Where a cross-member that comes in at a seat on the inner face ends: there, or on a channel's web."""
        return seat.p - seat.n * (self.w - self.t if self.section == "channel" else 0.0)

    def mark(self, name: str) -> Mark:
        """The rail's truth: centreline every 100 mm at most, width, height, section; `p` is its middle."""
        pieces = [_steps(a, b) for a, b in pairwise(self.path)]
        path = np.vstack([*pieces, self.path[-1:]])
        run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
        k = int(np.searchsorted(run, run[-1] / 2)) - 1
        p = path[k] + (path[k + 1] - path[k]) * (run[-1] / 2 - run[k]) / (run[k + 1] - run[k])
        values = {"w": self.w, "h": self.h, "section": self.section}
        return Mark("rail", name, p, unit(path[k + 1] - path[k]), self.w, {"path": path}, {}, values)


def _steps(a: Array, b: Array) -> Array:
    """Points from a to b, 100 mm apart at most, b left out."""
    return np.linspace(a, b, int(np.linalg.norm(b - a) // 100) + 2)[:-1]


def arc(corner: Array, before: Array, after: Array, back: float, steps: int) -> Array:
    """Points (steps + 1, 3) on the arc tangent to both pieces `back` mm from the corner."""
    a, b = corner - back * before, corner + back * after
    angle = np.arccos(np.clip(before @ after, -1, 1))
    s = np.linspace(0, 1, steps + 1)
    radius = back / np.tan(angle / 2)
    normal = unit(after - before @ after * before)
    turn = (s * angle)[:, None]
    return np.vstack([(a + radius * (np.sin(turn) * before + (1 - np.cos(turn)) * normal))[:-1], b])


def _ends(path: Array, more: float) -> Array:
    """The path made longer by `more` mm at both ends."""
    out = path.copy()
    out[0] -= more * unit(path[1] - path[0])
    out[-1] += more * unit(path[-1] - path[-2])
    return out
