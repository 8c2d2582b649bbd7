"""The page of a series: each point's scatter over the cars with U ellipses, and the tables."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from barerail.outputs.page import template_html
from barerail.outputs.page_tables import Row
from barerail.outputs.page_view import MARKS
from barerail.outputs.series import ASSUMED, changed, zone_row
from barerail.outputs.words import AXES, CAUTIONS, fixed, one_line, rounded_up
from barerail.records import Array, GaugeSplit, PointSpread, Series, Spread
from barerail.settings import SeriesSettings

SIZE, HALF = 220.0, 90.0
"""Of a picture and of its drawn part, SVG units."""
PLANES = (("side view", 0, 2), ("plan view", 0, 1))


def series_html(s: Series, settings: SeriesSettings, failed: Mapping[str, str]) -> bytes:
    """The page as UTF-8 bytes, no script in it."""
    zones = [zone_row(z, settings) for z in s.zones]
    return template_html(
        "series.html.j2",
        title=f"Spread over {s.cars} scans",
        cars=s.cars,
        points=[row for p in s.points for row in _rows(p)],
        lengths=[_row(name, "", v) for name, v in s.lengths.items()],
        zones=[_zone(z) for z in zones],
        assumed=ASSUMED,
        gauge=[Row(gauge_cells(g)) for g in s.gauge],
        odd=list(s.odd.items()),
        without=[_row(name, axis, v) for (name, axis), v in changed(s)],
        zones_without=[_zone(zone_row(z, settings)) for z in s.without_odd.zones] if s.without_odd else [],
        failed=list(failed.items()),
        notes=[(n.text, n.warning) for n in s.notes],
        cautions=CAUTIONS,
        pictures=[picture(p, s.odd, s.axes) for p in s.points if p.axes[0].n > 1],
        marks=MARKS,
    )


def gauge_cells(g: GaugeSplit) -> tuple[str, ...]:
    """Name, axis and the three standard deviations."""
    return one_line(g.name), g.axis, *(fixed(v, 3) for v in (g.repeatability, g.reproducibility, g.cars))


def _rows(p: PointSpread) -> list[Row]:
    return [_row(p.name, axis, v, tuple(fixed(c, 3) for c in row)) for axis, v, row in zip("xyz", p.axes, p.cov)]


def _row(name: str, axis: str, v: Spread, more: tuple[str, ...] = ()) -> Row:
    own = f"{fixed(v.between, 2)} ({fixed(v.low, 2)} to {fixed(v.high, 2)})" if np.isfinite(v.between) else ""
    cells = (one_line(name), axis, str(v.n), fixed(v.mean, 2), fixed(v.sd, 2), fixed(v.least, 2), fixed(v.greatest, 2))
    return Row((*cells, fixed(rounded_up(v.own_U, 2), 2), own, *more))


def _zone(z: Mapping[str, Any]) -> Row:
    hole = "" if z["hole_mm"] is None else f"{z['hole_mm']:g}"
    hole = f"slot {hole} x {z['slot_mm']:g}" if z["iso273"] == "slot" else hole
    share = f"{100 * z['share']:g} % at {100 * z['confidence']:g} %"
    zone = f"{'' if z['told_apart'] else '< '}{fixed(rounded_up(z['zone_mm'], 2), 2)}"
    return Row((one_line(z["name"]), share, zone, z["bolt"] or "unknown", hole, z["iso273"]))


def picture(p: PointSpread, odd: Mapping[str, str], axes: str) -> dict[str, Any]:
    """Marks of one point in two planes: a cross a car, its U ellipse (k = 2), and a ring around odd cars."""
    middle = np.array([v.mean for v in p.axes])
    u = 2 * np.sqrt(np.einsum("nii->ni", p.own))
    reach = float(np.ceil(max((np.abs(p.at - middle) + u).max(), 0.1) * 10.5) / 10)
    k = HALF / reach
    views = []
    words = [f"{axis} {word}" for axis, word in zip("xyz", AXES[axes])]
    for title, a, b in PLANES:
        cars = []
        for scan, at, own in zip(p.scans, p.at, p.own):
            x, y = SIZE / 2 + k * (at[a] - middle[a]), SIZE / 2 - k * (at[b] - middle[b])
            cars.append(
                {"scan": scan, "x": round(x, 2), "y": round(y, 2), "odd": scan in odd, **_ellipse(own, a, b, k)}
            )
        views.append({"title": title, "right": words[a], "up": words[b], "cars": cars})
    return {"name": one_line(p.name), "kind": p.kind, "reach": f"{reach:g}", "views": views}


def _ellipse(cov: Array, a: int, b: int, k: float) -> dict[str, float]:
    part = cov[np.ix_([a, b], [a, b])]
    size, way = np.linalg.eigh(part)
    radii = 2 * k * np.sqrt(np.maximum(size, 0))
    turn = -float(np.degrees(np.arctan2(way[1, 1], way[0, 1])))
    return {"rx": round(float(radii[1]), 2), "ry": round(float(radii[0]), 2), "turn": round(turn, 1)}
