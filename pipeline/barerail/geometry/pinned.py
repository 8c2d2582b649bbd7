"""A flat plate over pins: the shift and turn in its plane that leaves the most room in every hole."""

from typing import NamedTuple

import numpy as np

from barerail.records import Array

ROUNDS = 400
LEAST_ROOM_MM = 1e-3
SURE = 1e-3


class Pinned(NamedTuple):
    """Per case (N,): shift x, y in mm and turn in rad (N, 3); used (N,): the largest share of its room that any hole
    uses there, at most 1 where the plate goes on; least (N,): no shift and turn has a smaller one than this."""

    move: Array
    used: Array
    least: Array


def pinned(off: Array, at: Array, room: Array) -> Pinned:
    """Least largest |off_i - shift - turn x at_i| / room_i: N cases of n holes, off (N, n, 2), at (n, 2), room (N, n).

    Lawson's algorithm (Rice & Usow 1968, Math. Comp. 22:118-127, for vectors): least squares whose weights grow
    where the residual is large; the weighted mean square never exceeds the least largest one, so both are bounded.
    Small turns. Holes without room get 0.001 mm. Cases that either bound decides against 1 are not followed further.
    """
    r = np.maximum(room, LEAST_ROOM_MM)
    arm = np.stack([-at[:, 1], at[:, 0]], axis=1)
    design = np.zeros((len(at), 2, 3))
    design[:, 0, 0] = design[:, 1, 1] = 1.0
    design[:, :, 2] = arm
    a, b = design[None] / r[:, :, None, None], off / r[:, :, None]
    weight = np.full(r.shape, 1.0 / r.shape[1])
    move, used, least = np.zeros((len(off), 3)), np.full(len(off), np.inf), np.zeros(len(off))
    open_ = np.arange(len(off))
    for _ in range(ROUNDS):
        x, share = _weighted(a[open_], b[open_], weight[open_])
        worst, low = share.max(axis=1), np.sqrt((weight[open_] * share**2).sum(axis=1))
        better = worst < used[open_]
        move[open_[better]], used[open_[better]] = x[better], worst[better]
        least[open_] = np.maximum(least[open_], low)
        grown = weight[open_] * np.maximum(share, 1e-12)
        weight[open_] = grown / grown.sum(axis=1, keepdims=True)
        undecided = (used[open_] > 1) & (least[open_] <= 1) | (len(off) == 1)
        open_ = open_[undecided & (used[open_] - least[open_] > SURE * used[open_])]
        if len(open_) == 0:
            break
    return Pinned(move, used, least)


def _weighted(a: Array, b: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted least squares (N, 3), and the length (N, n) of each residual."""
    normal = np.einsum("Nn,Nnki,Nnkj->Nij", weight, a, a) + 1e-15 * np.eye(3)
    x = np.linalg.solve(normal, np.einsum("Nn,Nnki,Nnk->Ni", weight, a, b)[..., None])[..., 0]
    return x, np.linalg.norm(b - np.einsum("Nnki,Ni->Nnk", a, x), axis=2)
