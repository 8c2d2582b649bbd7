"""Orthographic views of the scan to a standard scale, points named on leader lines that don't cross the names."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barerail.outputs.page_scan import Shown
from barerail.outputs.page_view import MARKS
from barerail.outputs.sheets.paper import FONT_WIDTH, Disc, Label, Mark, Paper, Raster, Stroke
from barerail.outputs.splat import View, splat
from barerail.outputs.words import one_line
from barerail.records import FACED, Array, MountPoint

SCALES = (1, 2, 5, 10, 20, 50, 100)
"""Reductions, ISO 5455."""
MARGIN, FOOT, NAMES = 10.0, 34.0, 46.0
"""mm: the paper's edge, the title block below, and the room for names above and below the drawing."""
PITCH = 3.0
DPI = 300.0


@dataclass(frozen=True)
class Look:
    """A direction of view: right and up of the drawing as car axes, in words too."""

    name: str
    right: tuple[float, float, float]
    up: tuple[float, float, float]
    words: str

    @property
    def axes(self) -> Array:
        """Rows right, up and towards the viewer."""
        return np.array([self.right, self.up, np.cross(self.right, self.up)])


LOOKS = (
    Look("top", (1, 0, 0), (0, 1, 0), "front to the right, left up"),
    Look("under", (1, 0, 0), (0, -1, 0), "seen from below, front to the right, right up"),
    Look("left", (-1, 0, 0), (0, 0, 1), "left side, front to the left"),
    Look("right", (1, 0, 0), (0, 0, 1), "right side, front to the right"),
    Look("front", (0, 1, 0), (0, 0, 1), "from the front, the car's left to the right"),
    Look("rear", (0, -1, 0), (0, 0, 1), "from the rear, the car's left to the left"),
)


def shown_in(look: Look, p: MountPoint) -> bool:
    """Whether a point's name belongs into this view: the one its axis looks at, the top for what has no one side."""
    if not np.isfinite(p.position).all():
        return False
    if p.kind not in FACED or not np.any(p.axis):
        return look.name == "top"
    return look is max(LOOKS, key=lambda one: float(one.axes[2] @ p.axis))


def view_paper(look: Look, scan: Shown, points: Sequence[MountPoint], size: tuple[float, float]) -> Paper:
    """The sheet of one view, without its title block: scan, points with names, scale bar."""
    flat = scan.xyz @ look.axes.T
    low, high = flat.min(axis=0), flat.max(axis=0)
    room = np.array([size[0] - 2 * MARGIN, size[1] - 2 * MARGIN - FOOT - 2 * NAMES])
    scale = next((s for s in SCALES if np.all((high - low)[:2] / s <= room)), SCALES[-1])
    centre = np.array([size[0] / 2, MARGIN + FOOT + NAMES + room[1] / 2])
    middle = (low + high) / 2
    paper = Paper(look.name, size, [_picture(look, scan, middle, (high - low)[:2] / scale, centre, scale)])
    places = {i: centre + ((look.axes @ p.position) - middle)[:2] / scale for i, p in enumerate(points)}
    mine = [(places[i], p) for i, p in enumerate(points) if shown_in(look, p)]
    reach = (high - low)[1] / scale / 2 + 4
    paper.marks.extend(_named(mine, centre, reach, size))
    paper.marks.extend(_scale_bar(scale, size))
    return paper


def _picture(look: Look, scan: Shown, middle: Array, extent: Array, centre: Array, scale: float) -> Raster:
    k = DPI / 25.4
    extent = extent + 2.0
    pixels = tuple(int(v) for v in np.ceil(extent * k))
    view = View(look.axes, middle, k / scale, (pixels[0], pixels[1]))
    image = splat(scan, view, "#ffffff")
    # Light enough that marks and lines stand out on it, and in print.
    pale = (255 - (255 - image.astype(float)) * 0.6).astype(np.uint8)
    size = (pixels[0] / k, pixels[1] / k)
    return Raster((float(centre[0] - size[0] / 2), float(centre[1] - size[1] / 2)), size, pale)


def _named(
    points: Sequence[tuple[Array, MountPoint]], centre: Array, reach: float, size: tuple[float, float]
) -> list[Mark]:
    """Marks, leader lines and upright names: those of the upper half above the drawing, the others below."""
    marks: list[Mark] = []
    for above in (True, False):
        mine = sorted((p for p in points if (p[0][1] >= centre[1]) == above), key=lambda p: float(p[0][0]))
        slots = spread([float(at[0]) for at, _ in mine], PITCH, MARGIN + 2, size[0] - MARGIN - 2)
        sign = 1 if above else -1
        for (at, p), x in zip(mine, slots):
            colour = MARKS[p.kind][1]
            start = float(centre[1] + sign * (reach + 8))
            text = one_line(p.name)
            long = FONT_WIDTH * 2.2 * len(text)
            foot = start + 0.5 if above else start - 0.5 - long
            path = [tuple(at), (x, float(centre[1] + sign * reach)), (x, start)]
            marks.append(Stroke([(float(a), float(b)) for a, b in path], colour, 0.13))
            marks.append(Disc((float(at[0]), float(at[1])), 0.8, colour, not MARKS[p.kind][0].endswith("open")))
            marks.append(Label((x + 0.8, foot), text, 2.2, upright=True))
    return marks


def spread(wanted: Sequence[float], pitch: float, low: float, high: float) -> list[float]:
    """Places in the same order, at least `pitch` apart, as near to those wanted as can be, within low and high.

    Pool adjacent violators on wanted - i pitch (Barlow, Bartholomew, Bremner & Brunk 1972, section 1.2): least squares.
    Closer where they don't fit.
    """
    n = len(wanted)
    if n == 0:
        return []
    pitch = min(pitch, (high - low) / max(n - 1, 1))
    pools: list[tuple[float, int]] = []
    for i, x in enumerate(wanted):
        pools.append((x - i * pitch, 1))
        while len(pools) > 1 and pools[-2][0] > pools[-1][0]:
            (b, m), (a, k) = pools.pop(), pools.pop()
            pools.append(((a * k + b * m) / (k + m), k + m))
    level = [v for v, count in pools for _ in range(count)]
    top = high - (n - 1) * pitch
    return [min(max(v, low), top) + i * pitch for i, v in enumerate(level)]


def _scale_bar(scale: float, size: tuple[float, float]) -> list[Mark]:
    length = next(v for v in (1000, 500, 200, 100, 50, 20, 10) if v / scale <= 80)
    x, y, wide = MARGIN + 3, MARGIN + 6, length / scale
    ticks = [Stroke([(x + f * wide, y - 1), (x + f * wide, y + 1)]) for f in (0, 0.5, 1)]
    words = Label((x, y + 2.5), f"{length} mm at 1:{scale}; print at 100 %, this bar is {wide:g} mm")
    return [Stroke([(x, y), (x + wide, y)], width=0.4), *ticks, words]
