"""One mirror plane from the surface's and the pairs', each weighed by its own uncertainty."""

from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import basis
from barerail.geometry.mirror import Mirror
from barerail.records import Array, Frozen

from .finest import SurfacePlane
from .pairs import PairPlane


@dataclass(frozen=True, eq=False)
class CentrePlane(Frozen):
    """The plane y = 0 stands on; cov (3, 3) and by_feature (3, 3 each): of a step of `Mirror.moved`, as for its parts.

    apart (3,): step from the surface's plane to the pairs', and its covariance apart_cov; None without pairs.
    """

    mirror: Mirror
    cov: Array
    by_feature: dict[int, Array]
    apart: Array | None = None
    apart_cov: Array | None = None


def centre_plane(surface: SurfacePlane, pairs: PairPlane | None) -> CentrePlane:
    """Mean of both steps weighed by their inverse covariances (the surface's not widened), or the surface's alone.

    Both rest on one frame, bent in one way, so they aren't independent: the covariance is the bound of covariance
    intersection with equal shares, 2 (I - K) A (I - K)^T + 2 K B K^T for a gain K, right whatever their correlation
    (Julier & Uhlmann 1997, ACC 4:2369-2373). The scanner's slow error, and what a bent frame's plane is meant to be,
    move both alike: they come on top.
    """
    both = surface.slow + surface.meant
    if pairs is None:
        return CentrePlane(surface.mirror, surface.cov + both, {})
    apart = step_between(surface.mirror, pairs.mirror)
    gain = surface.spread @ np.linalg.inv(surface.spread + pairs.cov)
    rest = np.eye(3) - gain
    cov = 2 * (rest @ surface.cov @ rest.T + gain @ pairs.cov @ gain.T)
    by = {i: gain @ d for i, d in pairs.by_feature.items()}
    return CentrePlane(surface.mirror.moved(gain @ apart), cov + both, by, apart, surface.cov + pairs.cov)


def step_between(a: Mirror, b: Mirror) -> Array:
    """The step (3,) of `a.moved` that leads to `b`, close by."""
    u, v, n = basis(a.normal)
    side = np.sign(n @ b.normal)
    w = side * b.normal / abs(n @ b.normal)
    return np.array([w @ u, w @ v, side * b.offset - a.offset])
