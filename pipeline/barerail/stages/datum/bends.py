"""The mirror plane of a frame that may be bent: twist and sidesway told apart from the plane, and from clutter."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from barerail.errors import DataError
from barerail.geometry.frames import unit
from barerail.geometry.mirror import Mirror
from barerail.geometry.robust import tukey_weights
from barerail.records import Array, Frozen

from .refine import MANY, TUKEY, Match, match, robust_scale
from .surface import Surface

FEWEST = 30
STILL = 5e-4
"""The plane is found when it moves less than this, mm, at the ends of the frame."""


@dataclass(frozen=True, eq=False)
class Bends(Frozen):
    """Sidesway and twist of a frame about a mirror plane; size (2,): mm at the ends, and rad from the middle to an end;
    (0,) for a frame that isn't bent.

    along (3,): unit vector of the car in the plane, with the frame's middle at `middle` mm on it and its ends `half` mm
    away. share (3, 2): step of `Mirror.moved` that is taken out of each, so that no bend moves the plane.
    """

    along: Array
    middle: float
    half: float
    size: Array
    share: Array

    def fields(self, points: Array, mirror: Mirror) -> Array:
        """What sidesway and twist of 1 move the mirrored points by, less the points of the other side: (k, 3, 2).

        Sidesway moves the ends by s^2 towards the plane's normal, twist turns by s, right-handed about the line along
        the car in the plane, s from -1 to 1 along the frame: the modes of frame damage, and with the normal to the left
        and `along` forward their signs, as for `straightness`.
        """
        n = mirror.normal
        along = unit(self.along - (self.along @ n) * n)
        s = ((points @ along - self.middle) / self.half)[:, None]
        up = np.cross(n, along)
        turn = -2 * ((points @ up)[:, None] * n + mirror.heights(points)[:, None] * up)
        bare = np.stack([-2 * s**2 * n, s * turn], axis=2)[:, :, : len(self.size)]
        return bare - mirror.by_step(points) @ self.share

    def misfit(self, points: Array, mirror: Mirror) -> Array:
        """How far (k, 3), mm, the bends put the mirrored points off the other side."""
        return np.asarray(self.fields(points, mirror) @ self.size)


@dataclass(frozen=True, eq=False)
class BentFit(Frozen):
    """A plane and its bends, with what they were fitted to.

    match: close to the plane. design (k, 5): derivative of its residual by a step of the plane (3) and by the bends
    (2, or none); residual (k,): less both, mm; scale: its robust scatter, mm; weight (k,): area times the biweight.
    """

    mirror: Mirror
    bends: Bends
    match: Match
    design: Array
    residual: Array
    scale: float
    weight: Array


def bent_fit(
    source: Surface, target: Surface, tree: cKDTree, mirror: Mirror, along: Array, cut: float, modes: int = 2
) -> BentFit:
    """The plane about which the surface lies the least off its mirror image: least squares in space of what mirrors.

    Only misfit along the normals can be seen. From it the plane and the bends are fitted together, by reweighted least
    squares with the Tukey biweight at 4 robust scales of what both leave over: so clutter is an outlier and the end of
    a bent frame is none. What plane and bends put each place off in space follows from them, and the plane is moved to
    where that is least: each mm2 counts the same, whatever way it faces. `modes`: 2, or 0 for a frame that isn't bent.
    DataError where too little mirrors.
    """
    low, high = np.quantile(source.points @ along, [0.002, 0.998])
    bends = Bends(along, float(low + high) / 2, float(high - low) / 2, np.zeros(modes), np.zeros((3, modes)))
    scale = float("inf")
    for _ in range(MANY):
        m = match(source, target, tree, mirror, cut, 1.5 * target.spacing)
        if len(m.rows) < FEWEST:
            raise DataError(
                "datum: the mirror plane got lost on the finest points; scan more of both sides of the frame"
            )
        fit, step = _fitted(m, source, mirror, bends, scale, 0.03 * target.spacing)
        mirror, bends, scale = fit.mirror, fit.bends, fit.scale
        if bends.half * float(np.hypot(step[0], step[1])) + abs(step[2]) < STILL:
            break
    return fit


def _fitted(
    m: Match, source: Surface, mirror: Mirror, bends: Bends, scale: float, least: float
) -> tuple[BentFit, Array]:
    """One round: weights by the bends and scale so far, then plane and bends anew; and the step (3,) of the plane."""
    points = source.points[m.rows]
    left = m.residual - np.einsum("ki,ki->k", m.there, bends.misfit(points, mirror))
    weight = source.area[m.rows] * tukey_weights(left, TUKEY, scale)
    fields, steps = replace(bends, share=np.zeros_like(bends.share)).fields(points, mirror), mirror.by_step(points)
    design = np.column_stack([m.jacobian, np.einsum("ki,kij->kj", m.there, fields)])
    found = least_squares(design, weight, m.residual)
    residual = m.residual - design @ found
    share = least_squares(steps.reshape(-1, 3), np.repeat(weight, 3), fields.reshape(3 * len(m.rows), len(bends.size)))
    design[:, 3:] -= m.jacobian @ share
    step = -found[:3] - share @ found[3:]
    bends = replace(bends, size=found[3:], share=share)
    scale = robust_scale(residual, least)
    return BentFit(mirror.moved(step), bends, m, design, residual, scale, weight), step


def least_squares(design: Array, weight: Array, values: Array) -> Array:
    """Weighted least squares of values (k, ...) by the columns of design (k, p); what nothing tells of stays 0."""
    weighted = design * weight[:, None]
    return np.asarray(inverse(weighted.T @ design) @ (weighted.T @ values))


def inverse(normal: Array) -> Array:
    """Of normal matrices (..., p, p), columns scaled alike; pseudo-inverse where a column is told by nothing."""
    size = 1 / np.sqrt(np.maximum(np.einsum("...ii->...i", normal), 1e-300))
    scales = size[..., :, None] * size[..., None, :]
    return np.asarray(np.linalg.pinv(normal * scales, rcond=1e-10, hermitian=True) * scales)
