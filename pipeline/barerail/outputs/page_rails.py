"""Curves of how far each rail moved along the car."""

from typing import Any

import numpy as np

from barerail.outputs.words import AXES
from barerail.records import Array, Datum, RailShift

LEFT, RIGHT, CENTRE = "#1668c7", "#c45a00", "#128a58"


def rail_figure(rails: tuple[RailShift, ...], datum: Datum) -> dict[str, Any]:
    """Plotly data and layout: sideways shift, shift up, and roll of each rail along the car, with U bands."""
    panels = (("y3", "up, mm"), ("y2", f"to the {AXES[datum.axes][1]}, mm"), ("y", "roll, left up, deg"))
    data = []
    for c in rails:
        values = ((c.shift[:, 2], c.U[:, 2]), (c.shift[:, 1], c.U[:, 1]), (c.roll_deg, c.U_roll_deg))
        for (axis, _), (value, u) in zip(panels, values):
            data += _curve(c, axis, value, u)
    layout: dict[str, Any] = {"xaxis": {"title": {"text": "x, mm (front to the right)"}, "anchor": "y"}}
    if datum.axes == "iso4130":
        layout["xaxis"]["autorange"] = "reversed"
    for i, (axis, title) in enumerate(panels):
        share = 1 - i / 3
        domain = [round(share - 0.27, 3), round(share, 3)]
        layout[axis.replace("y", "yaxis")] = {"title": {"text": title}, "domain": domain, "automargin": True}
    return {"data": data, "layout": layout}


def _curve(c: RailShift, axis: str, value: Array, u: Array) -> list[dict[str, Any]]:
    ok = np.isfinite(value)
    if not ok.any():
        return []
    x, v, w = c.at[ok, 0].round(1), value[ok].round(4), u[ok].round(4)
    side = {"L": "left", "R": "right"}.get(c.side, "centre")
    colour = {"L": LEFT, "R": RIGHT}.get(c.side, CENTRE)
    symbol = {"L": "circle", "R": "diamond"}.get(c.side, "square")
    band = {
        "x": [*x.tolist(), *x[::-1].tolist()],
        "y": [*(v + w).tolist(), *(v - w)[::-1].tolist()],
        "fill": "toself",
        "fillcolor": f"{colour}33",
        "line": {"width": 0},
        "mode": "lines",
        "hoverinfo": "skip",
        "showlegend": False,
    }
    line = {
        "x": x.tolist(),
        "y": v.tolist(),
        "mode": "lines+markers",
        "marker": {"symbol": symbol, "size": 6},
        "line": {"color": colour, "width": 1.5},
        "name": f"{side} rail",
        "showlegend": axis == "y3",
        "customdata": w.tolist(),
        "hovertemplate": f"{side} rail: %{{y}} ± %{{customdata}}<br>x %{{x}} mm<extra></extra>",
    }
    return [t | {"yaxis": axis, "type": "scatter"} for t in (band, line)]
