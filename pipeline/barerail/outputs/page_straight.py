"""The straightness plot: height of the rails, twist and sideways place along the car, each with U."""

from collections.abc import Callable
from typing import Any

import numpy as np

from barerail.records import Array, Datum, StationPair, Straightness

LEFT, RIGHT, BOTH = "#1668c7", "#c45a00", "#128a58"


def straight_figure(s: Straightness, datum: Datum) -> dict[str, Any]:
    """Plotly data and layout of three panels over x; no data where the scan gave no stations."""
    panels = (("y3", "rail height z, mm"), ("y2", "twist, deg"), ("y", "centreline y, mm"))
    data = [
        *_series(s, "left rail", LEFT, "circle-open", "y3", lambda p: p.left[2], lambda p: p.cov_left[2, 2] ** 0.5),
        *_series(s, "right rail", RIGHT, "diamond", "y3", lambda p: p.right[2], lambda p: p.cov_right[2, 2] ** 0.5),
        *_series(s, "twist", BOTH, "square", "y2", lambda p: p.twist_deg, lambda p: p.U_twist_deg / 2),
        *_twist_line(s),
        *_series(s, "centreline", BOTH, "square", "y", _middle, _middle_u),
    ]
    layout: dict[str, Any] = {"xaxis": {"title": {"text": "x, mm (front to the right)"}, "anchor": "y"}}
    if datum.axes == "iso4130":
        layout["xaxis"]["autorange"] = "reversed"
    for i, (axis, title) in enumerate(panels):
        share = 1 - i / 3
        layout[axis.replace("y", "yaxis")] = {
            "title": {"text": title},
            "domain": [round(share - 0.27, 3), round(share, 3)],
            "automargin": True,
        }
    return {"data": data, "layout": layout}


def _middle(p: StationPair) -> float:
    return float(p.left[1] + p.right[1]) / 2


def _middle_u(p: StationPair) -> float:
    return float(p.cov_left[1, 1] + p.cov_right[1, 1]) ** 0.5 / 2


def _series(
    s: Straightness,
    name: str,
    colour: str,
    symbol: str,
    axis: str,
    value: Callable[[StationPair], float],
    u: Callable[[StationPair], float],
) -> list[dict[str, Any]]:
    """A U band with its line through the stations used, and the stations left out as crosses."""
    used = [p for p in s.stations if p.used]
    out = [p for p in s.stations if not p.used]
    if not used:
        return []
    x, y, U = (np.array([f(p) for p in used]) for f in (lambda p: p.x, value, lambda p: 2 * u(p)))
    band = {
        "x": _numbers(np.concatenate([x, x[::-1]])),
        "y": _numbers(np.concatenate([y + U, (y - U)[::-1]])),
        "fill": "toself",
        "fillcolor": f"{colour}44",
        "line": {"width": 0},
        "mode": "lines",
        "hoverinfo": "skip",
        "showlegend": False,
    }
    line = {
        "x": _numbers(x),
        "y": _numbers(y),
        "customdata": _numbers(U),
        "mode": "lines+markers",
        "marker": {"symbol": symbol, "size": 10 if symbol.endswith("open") else 6},
        "line": {"color": colour, "width": 1.5},
        "name": name,
        "hovertemplate": f"{name}: %{{y}} ± %{{customdata}}<br>x %{{x}} mm<extra></extra>",
    }
    left_out = {
        "x": [round(p.x, 1) for p in out],
        "y": _numbers(np.array([value(p) for p in out])),
        "mode": "markers",
        "marker": {"symbol": "x-thin-open", "size": 9, "color": colour},
        "showlegend": False,
        "hovertemplate": f"{name}, left out: %{{y}}<br>x %{{x}} mm<extra></extra>",
    }
    return [t | {"yaxis": axis, "type": "scatter"} for t in (band, line, left_out) if t["x"]]


def _twist_line(s: Straightness) -> list[dict[str, Any]]:
    """The straight line whose ends differ by the reported twist, through the mean of the stations used."""
    twist = s.measures.get("twist_deg")
    used = [p for p in s.stations if p.used and p.U_twist_deg > 0]
    if twist is None or twist.value is None or not used or s.to_x_mm == s.from_x_mm:
        return []
    slope = twist.value / (s.to_x_mm - s.from_x_mm)
    weight = np.array([p.U_twist_deg for p in used]) ** -2
    x0, y0 = (float(np.average(v, weights=weight)) for v in ([p.x for p in used], [p.twist_deg for p in used]))
    ends = np.array([s.from_x_mm, s.to_x_mm])
    return [
        {
            "x": _numbers(ends),
            "y": _numbers(y0 + slope * (ends - x0)),
            "mode": "lines",
            "line": {"color": "#d1402b", "width": 2, "dash": "dash"},
            "name": "line fitted to the twist",
            "hoverinfo": "skip",
            "yaxis": "y2",
            "type": "scatter",
        }
    ]


def _numbers(values: Array) -> list[float | None]:
    return [round(float(v), 4) if np.isfinite(v) else None for v in values]
