"""The cut list of a template: a row a part, with what a shop needs to quote and cut it."""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from barerail.asked import TemplateSettings
from barerail.geometry.contour import area_of
from barerail.outputs.cells import PLAIN, TEXT, csv_table
from barerail.outputs.flat import CUT, Arc, Circle, Path, Shape, Sheet, Words
from barerail.outputs.header import header_lines
from barerail.records import Datum

COLUMNS = {
    **dict.fromkeys(("part", "file", "hand", "material"), TEXT),
    "thickness_mm": 2,
    "quantity": 0,
    **dict.fromkeys(("width_mm", "height_mm"), 1),
    "area_cm2": 1,
    "cut_length_mm": 0,
    "pierces": 0,
    "holes": TEXT,
}


def cut_list_csv(parts: Sequence[tuple[str, str]], sheet: Sheet, settings: TemplateSettings, datum: Datum) -> bytes:
    """One row a part (file title, hand); both hands of a pair share the sheet's sizes. Kerf isn't allowed for."""
    cut = [s for s in sheet.shapes if not isinstance(s, Words) and s.layer == CUT]
    (edge,) = (s for s in cut if isinstance(s, Path) and len(s.points) > 3)
    size = np.ptp(edge.points, axis=0)
    circles = Counter(f"{2 * s.radius:g}" for s in cut if isinstance(s, Circle))
    slots = sum(isinstance(s, Arc) for s in cut) // 2
    holes = [f"{n} x {d} mm" for d, n in sorted(circles.items())] + ([f"{slots} slots"] if slots else [])
    shared = {
        "part": settings.part,
        "material": settings.material,
        "thickness_mm": settings.thickness_mm or np.nan,
        "quantity": settings.quantity,
        "width_mm": size[0],
        "height_mm": size[1],
        "area_cm2": area_of(edge.points) / 100,
        "cut_length_mm": sum(map(_length, cut)),
        "pierces": 1 + sum(circles.values()) + slots,
        "holes": ", ".join(holes),
    }
    rows = [shared | {"file": f"template-{title}.dxf", "hand": hand} for title, hand in parts]
    return csv_table(header_lines("cut list", datum, columns="quantity of each hand"), COLUMNS, rows, PLAIN)


def _length(s: Shape) -> float:
    match s:
        case Circle():
            return 2 * np.pi * s.radius
        case Arc():
            return float(np.radians(s.end - s.start)) * s.radius
        case Path():
            return float(np.linalg.norm(np.diff(s.points, axis=0), axis=1).sum())
    return 0.0
