"""A still picture of a result: the scan in car axes from the front left and above, with the labelled points."""

from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barerail.outputs.page_scan import Shown, shown
from barerail.outputs.page_view import MARKS, arrow_ends, axis_line
from barerail.outputs.words import AXES, one_line
from barerail.records import Array, CleanScan, Datum, MountPoint, MountPoints

PAPER, INK, ARROW = "#f3f1ea", "#1a2026", "#c83020"
DARK, LIGHT = np.array([21, 25, 29]), np.array([244, 244, 239])
FINE = 2
"""Pixels drawn for each one kept, along either side, so that edges come out smooth."""


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


def picture_png(clean: CleanScan, datum: Datum, points: MountPoints, width: int = 1600) -> bytes:
    """PNG, `width` pixels wide: every thinned point of the chassis shaded by its normal, points marked and named.

    A point that the chassis hides gets no mark, and a name that finds no room is left out.
    """
    from PIL import Image, ImageDraw

    scan = shown(clean, datum, points.points, budget=4 * len(clean.scan.points))
    view = _three_quarter(scan.xyz, width, -1.0 if datum.axes == "iso4130" else 1.0)
    canvas, depth = splat(scan, view)
    image = Image.fromarray(canvas)
    pen = ImageDraw.Draw(image)
    start, *ends = view.place(np.vstack([np.zeros(3), arrow_ends(scan.xyz.min(axis=0), scan.xyz.max(axis=0))]))
    for end in ends:
        pen.line([*start[:2], *end[:2]], fill=ARROW, width=2 * FINE)
    tags = [(end, word, ARROW) for end, word in zip(ends, AXES[datum.axes])]
    _names(pen, [*tags, *_marks(pen, view, depth, points.points)], view.size)
    out = BytesIO()
    small = image.resize((width, view.size[1] // FINE), Image.Resampling.LANCZOS)
    small.quantize(palette=_palette(), dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


def _palette() -> Any:
    """150 greys of the scan, and every other colour in seven steps to the paper's: a small file in true colours."""
    from PIL import Image

    paper = np.array(_rgb(PAPER))
    inks = [_rgb(c) for c in (INK, ARROW, *(colour for _, colour in MARKS.values()))]
    steps = [paper + share * (np.array(ink) - paper) for ink in inks for share in np.linspace(0, 1, 8)[1:]]
    colours = np.vstack([DARK + np.linspace(0, 1, 150)[:, None] * (LIGHT - DARK), paper, *steps])
    image = Image.new("P", (1, 1))
    image.putpalette(np.rint(colours).astype(np.uint8).tobytes())
    return image


def _rgb(colour: str) -> list[int]:
    return [int(colour[i : i + 2], 16) for i in (1, 3, 5)]


def _three_quarter(xyz: Array, width: int, ahead: float) -> View:
    """From the car's front left and above, all of xyz (n, 3) inside with a margin; ahead: sign of x at the front."""
    away = np.array([ahead, 0.85 * ahead, 0.75]) / np.linalg.norm([1.0, 0.85, 0.75])
    right = np.cross([0.0, 0.0, 1.0], away)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(away, right), away])
    low, high = (xyz @ axes.T).min(axis=0), (xyz @ axes.T).max(axis=0)
    scale = FINE * width * 0.94 / (high[0] - low[0])
    height = FINE * (int(scale * (high[1] - low[1])) // FINE + width // 12)
    return View(axes, (low + high) / 2, float(scale), (FINE * width, height))


def splat(scan: Shown, view: View, paper: str = PAPER) -> tuple[NDArray[np.uint8], Array]:
    """The picture (h, w, 3) and the nearness (h, w) in mm of what is seen, -inf for nothing; a square a point."""
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
    canvas = np.vstack([grey, np.array(_rgb(paper), np.uint8)])[seen]
    return canvas, np.append(at[order, 2], -np.inf)[seen]


def _ring(reach: int) -> list[tuple[int, int]]:
    """The pixels of a square's outline, `reach` from its middle."""
    side = range(-reach, reach + 1)
    return [(x, y) for x in side for y in side if max(abs(x), abs(y)) == reach]


def _marks(
    pen: Any, view: View, depth: Array, points: tuple[MountPoint, ...], slack_mm: float = 25.0
) -> list[tuple[Array, str, str]]:
    """Draw the points that aren't behind the chassis, and the long axes; place, name and colour of each one drawn."""
    tags = []
    for p in points:
        if p.kind == "rail" or not np.isfinite(p.position).all():
            continue
        x, y, near = at = view.place(p.position[None])[0]
        if not (0 <= x < view.size[0] and 0 <= y < view.size[1]):
            continue
        if depth[int(y), int(x)] > near + slack_mm + np.nan_to_num(p.diameter):
            continue
        colour, r = MARKS[p.kind][1], 5 * FINE
        if p.kind in ("tube", "bolt-axis", "sleeve"):
            pen.line([tuple(q) for q in view.place(axis_line(p))[:, :2]], fill=colour, width=2 * FINE)
        pen.ellipse([x - r, y - r, x + r, y + r], fill=colour, outline=INK, width=FINE)
        tags.append((at, one_line(p.name), colour))
    return tags


def _names(pen: Any, tags: list[tuple[Array, str, str]], size: tuple[int, int]) -> None:
    """Write each name at the first free corner beside its place."""
    from PIL import ImageFont

    font = ImageFont.load_default(13 * FINE)
    taken: list[tuple[float, float, float, float]] = []
    for (x, y, _), text, colour in tags:
        w, h, gap = pen.textlength(text, font) + 12, 17 * FINE, 6 * FINE
        for dx, dy in ((gap, -h - gap), (-w - gap, -h - gap), (gap, gap), (-w - gap, gap)):
            box = (x + dx, y + dy, x + dx + w, y + dy + h)
            apart = all(box[0] > b[2] or box[2] < b[0] or box[1] > b[3] or box[3] < b[1] for b in taken)
            if apart and min(box) >= 0 and box[2] < size[0] and box[3] < size[1]:
                pen.rectangle(box, fill=PAPER)
                pen.rectangle((*box[:2], box[0] + 2 * FINE, box[3]), fill=colour)
                pen.text((box[0] + 8, box[1] + FINE), text, fill=INK, font=font)
                taken.append(box)
                break
