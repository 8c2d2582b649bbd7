"""What the page's 3D view draws of empty places: their outlines, and from where to look at each."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from barerail.geometry.frames import direction, transform
from barerail.outputs.empty import Empty
from barerail.outputs.page_view import stroke
from barerail.records import Array

MISSED, DOUBTFUL = "#d4308f", "#7a5cc8"
"""Outline of a place that was not scanned (solid), and of one that may be an opening (dashed)."""


def gap_traces(empties: Sequence[Empty], view_from_scan: Array) -> list[dict[str, Any]]:
    """Plotly traces: the outline of each gap of each empty place."""
    out = []
    for e in empties:
        for gap in e.gaps:
            ring = transform(view_from_scan, np.vstack([gap.outline, gap.outline[:1]]))
            colour, dash = (MISSED, "solid") if e.missed else (DOUBTFUL, "dash")
            out.append(stroke(ring, colour, 6, dash) | {"meta": {"role": "gaps"}})
    return out


def gap_spots(empties: Sequence[Empty], view_from_scan: Array) -> list[dict[str, Any]]:
    """Place, size in mm and direction to look from for each empty place, as of a point's card."""
    slant = np.array([0.25, 0.0, 0.15])
    return [
        {
            "at": transform(view_from_scan, e.at).round(2).tolist(),
            "size": round(e.gaps[0].long, 1),
            "from": (direction(view_from_scan, e.normal) + slant).round(3).tolist(),
        }
        for e in empties
    ]
