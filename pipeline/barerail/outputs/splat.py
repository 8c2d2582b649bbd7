"""The scan drawn point by point into a still picture, the nearest in front."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.outputs.page_scan import Shown
from barerail.records import Array

DARK, LIGHT = np.array([21, 25, 29]), np.array([244, 244, 239])


@dataclass(frozen=True)
class View:
    """Orthographic: rows of `axes` (3, 3) are right, up and towards the viewer; scale in pixels a mm."""

    axes: Array
    centre: Array
    scale: float
    size: tuple[int, int]

    def place(self, points: Array) -> Array:
        """Pixel across, pixel down and nearness in mm (n, 3) of points (n, 3) in car axes."""
        across, up, near = (points @ self.axes.T - self.centre).T
        return np.column_stack([self.size[0] / 2 + self.scale * across, self.size[1] / 2 - self.scale * up, near])


def splat(scan: Shown, view: View, paper: str) -> NDArray[np.uint8]:
    """The picture (h, w, 3) on paper of that colour: a square a point, the nearest seen."""
    at = view.place(scan.xyz)
    wide, high = view.size
    order = np.argsort(at[:, 2], kind="stable")
    half = np.ceil(0.55 * scan.radius[order] * view.scale).astype(np.int32)
    edge = int(half.max(initial=0))
    pad = 2 * edge
    cell = np.floor(at[order, :2]).astype(np.int64) + pad
    broad, tall = wide + 2 * pad, high + 2 * pad
    rank = np.flatnonzero(((cell >= edge) & (cell < [broad - edge, tall - edge])).all(axis=1)).astype(np.int32)
    nearest = np.full(broad * tall, -1, np.int32)
    for reach in range(edge + 1):
        rank = rank[half[rank] >= reach]
        middle = cell[rank, 1] * broad + cell[rank, 0]
        for step in _ring(reach):
            # Ranks rise, so that of several points on one pixel the last written, the nearest, stays.
            pixel = middle + step[1] * broad + step[0]
            nearest[pixel] = np.maximum(nearest[pixel], rank)
    seen = nearest.reshape(tall, broad)[pad : tall - pad, pad : broad - pad]
    grey = (DARK + scan.grey[order, None] * (LIGHT - DARK)).astype(np.uint8)
    return np.vstack([grey, np.array([int(paper[i : i + 2], 16) for i in (1, 3, 5)], np.uint8)])[seen]


def _ring(reach: int) -> list[tuple[int, int]]:
    """The pixels of a square's outline, `reach` from its middle."""
    side = range(-reach, reach + 1)
    return [(x, y) for x in side for y in side if max(abs(x), abs(y)) == reach]
