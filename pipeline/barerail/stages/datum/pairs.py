"""Left/right pairs of features, and the mirror plane they make by themselves."""

from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import unit
from barerail.geometry.mirror import Mirror, Pair
from barerail.geometry.robust import TUKEY_C, tukey_weights
from barerail.records import Array, Feature, Frozen

from .bends import Bends

FEWEST = 4
BEND = 500.0
"""Correlation length in mm along the car of the bend that pairs share (judgement: damage reaches about a metre)."""


@dataclass(frozen=True, eq=False)
class PairPlane(Frozen):
    """Plane of the pairs; cov (3, 3) of a step of `Mirror.moved`; tau (2,): scatter of the pairs
    beyond their own, across and in height, mm.

    residual (k, 2): misfit across (twice that of the mid-point) and in height, mm, bends of the frame and all;
    own (k, 2): its variances from the fits alone; weight (k,): 1 to 0, of the biweight. by_feature: derivative (3, 3)
    of the step by each feature's point.
    """

    mirror: Mirror
    cov: Array
    tau: Array
    pairs: tuple[Pair, ...]
    residual: Array
    own: Array
    weight: Array
    by_feature: dict[int, Array]

    @property
    def sound(self) -> tuple[Pair, ...]:
        """The pairs that agree with the rest."""
        return tuple(p for p, w in zip(self.pairs, self.weight) if w > 0.5)


def pair_plane(
    pairs: tuple[Pair, ...],
    found: tuple[Feature, ...],
    middle: Array,
    mirror: Mirror,
    along: Array,
    bend: float,
    bends: Bends | None = None,
) -> PairPlane | None:
    """Weighted least squares of the pairs' misfit across the car and in height; None with fewer than 4 sound pairs.

    Not along the car: a diamond frame must not turn the plane. What `bends` of the whole frame put a pair off by is
    taken off first: they don't move the plane. Weights 1 / (u^2 + tau^2) with the scatter tau between
    pairs by DerSimonian & Laird 1986 (Control. Clin. Trials 7:177-188), extended to a regression, and at least `bend`
    (mm, what the surface around bends by); pairs near each other share it (correlation exp(-h / 500 mm)), so ten holes
    in one bracket aren't ten witnesses. Tukey on top.
    """
    if len(pairs) < FEWEST:
        return None
    n = mirror.normal
    ways = np.stack([n, unit(np.cross(n, along - (along @ n) * n))])
    at = np.array([found[p.left].point - middle for p in pairs])
    jac = np.einsum("wi,kij->kwj", ways, mirror.by_step(at))
    seen = np.array([ways @ p.miss for p in pairs])
    miss = seen if bends is None else seen - bends.misfit(at, mirror) @ ways.T
    cov = np.array([ways @ p.cov @ ways.T for p in pairs])
    own = cov[:, [0, 1], [0, 1]]
    near = np.exp(-np.abs(np.subtract.outer(at @ along, at @ along)) / BEND)
    step = np.zeros(3)
    for _ in range(30):
        left = miss + jac @ step
        typical = np.maximum(1.4826 * np.median(np.abs(left), axis=0), bend)
        weight = tukey_weights(np.abs(left / np.sqrt(own + typical**2)).max(1), TUKEY_C)
        if (weight > 0).sum() < FEWEST:
            return None
        tau = np.maximum(_tau(left, jac, own, weight), bend)
        gain, joint = _gls(jac, cov, tau, near, weight)
        new = -gain @ miss.ravel()
        done, step = np.abs(new - step).max() < 1e-9, new
        if done:
            break
    by = {}
    flip = ways @ (np.eye(3) - 2 * np.outer(n, n))
    for k, p in enumerate(pairs):
        g = -gain[:, 2 * k : 2 * k + 2]
        by[p.left], by[p.right] = g @ flip, -g @ ways
    return PairPlane(mirror.moved(step), joint, tau, pairs, seen + jac @ step, own, weight, by)


def _gls(jac: Array, cov: Array, tau: Array, near: Array, weight: Array) -> tuple[Array, Array]:
    """Gain (3, 2k) of the step from the misfits, and its covariance (3, 3); pairs of weight 0 are out."""
    kept = np.flatnonzero(weight > 0)
    total = np.kron(near[np.ix_(kept, kept)], np.diag(tau**2))
    for i, k in enumerate(kept):
        total[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += cov[k]
    root = np.repeat(np.sqrt(weight[kept]), 2)
    info = root[:, None] * np.linalg.inv(total) * root
    x = jac[kept].reshape(-1, 3)
    joint = np.linalg.inv(x.T @ info @ x)
    gain = np.zeros((3, len(jac), 2))
    gain[:, kept] = (joint @ x.T @ info).reshape(3, -1, 2)
    return gain.reshape(3, -1), joint


def _tau(left: Array, jac: Array, own: Array, weight: Array) -> Array:
    """Scatter (2,) in mm, across and in height, of misfits `left` (k, 2) beyond their own variances.

    tau^2 = (sum w r^2 - sum (1 - h)) / sum w (1 - h), h the leverages: DerSimonian & Laird's for a mean alone.
    """
    w = weight[:, None] / own
    x = jac.reshape(-1, 3)
    normal = np.linalg.inv((x * w.reshape(-1, 1)).T @ x)
    free = 1 - w * np.einsum("ij,jk,ik->i", x, normal, x).reshape(-1, 2)
    excess = (w * left**2).sum(0) - (weight[:, None] * free).sum(0)
    return np.sqrt(np.maximum(excess / np.maximum((w * free).sum(0), 1e-12), 0.0))
