"""What the page's 3D view draws over the scan: points by kind and side, their axes, rails, and the datum."""

from html import escape
from typing import Any

import numpy as np

from barerail.geometry.frames import transform
from barerail.geometry.tube_pair import frame_rails
from barerail.outputs.words import expanded, fixed, one_line, rounded_up
from barerail.records import FACED, Array, Datum, Features, MountPoint, MountPoints, Pair

MARKS = {
    "hole": ("circle", "#1668c7"),
    "slot": ("square", "#0d8794"),
    "stud": ("cross", "#d1402b"),
    "bolt-axis": ("diamond", "#be6a00"),
    "sleeve": ("circle-open", "#a145c2"),
    "tube": ("diamond-open", "#128a58"),
    "tube-node": ("star", "#9a5b1c"),
    "rail": ("dot", "#6670d6"),
    "face": ("square-open", "#c4478d"),
    "point": ("x", "#6f7780"),
    "axis": ("bar", "#6f7780"),
}
"""Symbol and colour of each kind: no two kinds share a symbol, so none is told by colour alone."""
SIZES = {"dot": 1.6, "star": 1.6, "bar": 1.6, "circle-open": 5, "square-open": 5, "diamond-open": 5}
SIDES = {"L": "left", "R": "right", "C": "centre"}


def with_u(value: float, u: float, unit: str, decimals: int = 2) -> str:
    """`value ± U unit` at so many decimals, U rounded up; only the value where U isn't known; empty without either."""
    if not np.isfinite(value):
        return ""
    spread = f" ± {fixed(rounded_up(u, decimals), decimals)}" if np.isfinite(u) else ""
    return f"{fixed(value, decimals)}{spread} {unit}".strip()


def details(p: MountPoint, pair: Pair | None) -> list[tuple[str, str]]:
    """Label and text of everything known of a point, in reading order; what is unknown is left out."""
    u = expanded(p.cov)
    rows = [("kind", f"{p.kind}, {SIDES.get(p.side, p.side)}" + (f", facing {p.face}" if p.face else ""))]
    rows += [(axis, with_u(v, s, "mm")) for axis, v, s in zip("xyz", p.position, u)]
    rows += [
        ("diameter", with_u(p.diameter, 2 * p.u_diameter, "mm")),
        ("length", with_u(p.length, 2 * p.u_length, "mm")),
        ("axis", ", ".join(fixed(v, 4) for v in p.axis) if np.isfinite(p.axis).all() and p.axis.any() else ""),
        ("partner", one_line(p.partner)),
    ]
    if pair is not None:
        pair_u = expanded(pair.cov)
        told = (f"{axis} {with_u(d, s, '')}" for axis, d, s in zip("xyz", pair.difference, pair_u))
        rows.append(("right less left, mirrored", f"{', '.join(told)} mm"))
    seen = f"{p.n} scan points" + (f", {p.arc_deg:.0f}° of arc" if np.isfinite(p.arc_deg) and p.arc_deg else "")
    rows += [("rests on", seen if p.n else ""), ("fit", with_u(p.rms, np.nan, "mm rms"))]
    rows += [("state", p.state if p.state != "measured" else ""), ("note", one_line(p.note))]
    return [(label, text) for label, text in rows if text]


def point_cards(points: MountPoints, middle: Array) -> list[dict[str, Any]]:
    """One JSON object a point, in order: name, kind, side, place (None where it has none) and its details.

    `size` mm and the direction `from` frame a close-up of it; middle (3,) is that of the scan.
    """
    pairs = {name: pair for pair in points.pairs for name in (pair.left, pair.right)}
    return [
        {
            "name": one_line(p.name),
            "kind": p.kind,
            "side": p.side,
            "partner": one_line(p.partner),
            "tubes": [one_line(name) for name in p.tubes],
            "at": p.position.round(3).tolist() if np.isfinite(p.position).all() else None,
            "size": float(np.nanmax([p.diameter, p.length, 10.0]).round(1)),
            "from": looked_at_from(p, middle),
            "details": details(p, pairs.get(p.name)),
        }
        for p in points.points
    ]


def looked_at_from(p: MountPoint, middle: Array) -> list[float]:
    """Direction from which a point is best seen: into its face, slanted a little; without a face from outside."""
    outward = (p.position - middle) * [0.2, 1.0, 1.0]
    outward = np.nan_to_num(outward / max(float(np.linalg.norm(outward)), 1e-9))
    axis = np.nan_to_num(p.axis)
    faces = p.kind in FACED and axis.any()
    away: Array = axis + 0.35 * outward + np.array([0.25, 0.0, 0.15]) if faces else outward + np.array([0.4, 0.0, 0.0])
    return away.round(3).tolist()


def traces(
    features: Features, datum: Datum, points: MountPoints, cards: list[dict[str, Any]], low: Array, high: Array
) -> list[dict[str, Any]]:
    """Plotly traces over the scan; `meta` says what each is, so that the page's switches find it."""
    out: list[dict[str, Any]] = []
    for kind in MARKS:
        for side in SIDES:
            chosen = [i for i, p in enumerate(points.points) if (p.kind, p.side) == (kind, side) and cards[i]["at"]]
            if chosen:
                out.append(_lines([axis_line(points.points[i]) for i in chosen], kind, side, 4))
                out.append(_markers([cards[i] for i in chosen], chosen, kind, side))
    out += [_lines(rail_lines(features, datum, side), "rail", side, 3) for side in SIDES]
    out += box_lines(low, high)
    return [t for t in out if t["x"]]


def axis_line(p: MountPoint) -> Array:
    """The stroke (k, 3) that shows where a point's axis runs: a tube's whole length, else a little beyond the part.

    A tube node has no axis: three short strokes across each other.
    """
    if p.kind == "tube-node":
        arms = [[p.position - 15 * e, p.position + 15 * e, np.full(3, np.nan)] for e in np.eye(3)]
        return np.reshape(arms, (-1, 3))
    if not np.isfinite(p.axis).all() or not p.axis.any() or p.kind == "rail":
        return np.zeros((0, 3))
    if p.kind == "tube" and len(p.ends) == 2:
        return p.ends
    if p.kind in ("hole", "stud", "face"):
        reach = p.length if p.kind == "stud" and np.isfinite(p.length) else np.nanmax([p.diameter, 12.0])
        return np.stack([p.position, p.position + reach * p.axis])
    if p.kind == "slot" and np.isfinite(p.along).all():
        half = 0.5 * np.nanmax([p.length, p.diameter]) * p.along
        return np.stack([p.position - half, p.position + half])
    half = (0.5 * np.nan_to_num(p.length) + (0.0 if p.kind == "tube" else 25.0)) * p.axis
    return np.stack([p.position - half, p.position + half])


def rail_lines(features: Features, datum: Datum, side: str) -> list[Array]:
    """Centrelines (k, 3) in car axes of the rails that run on one side."""
    out = []
    for rail in frame_rails(features.rails, datum.car_from_scan):
        path = transform(datum.car_from_scan, np.array([s.centre for s in rail.stations]))
        y = float(path[:, 1].mean()) * (-1 if datum.axes == "iso4130" else 1)
        if len(path) > 1 and side == ("C" if abs(y) < 20 else "L" if y > 0 else "R"):
            out.append(path)
    return out


def _markers(cards: list[dict[str, Any]], index: list[int], kind: str, side: str) -> dict[str, Any]:
    symbol, colour = MARKS[kind]
    plain = "circle" if symbol in ("dot", "star", "bar") else symbol  # the arms of star and bar are lines
    marker = {"symbol": plain, "color": colour, "size": SIZES.get(symbol, 4)}
    if not symbol.endswith("open"):
        marker["line"] = {"color": "#0b0e11", "width": 1}
    return {
        **_xyz(np.array([c["at"] for c in cards])),
        "type": "scatter3d",
        "mode": "markers",
        "marker": marker,
        "customdata": index,
        "hovertext": [_hover(c) for c in cards],
        "hoverinfo": "text",
        "meta": {"role": "points", "kind": kind, "side": side},
    }


def _hover(card: dict[str, Any]) -> str:
    rows = [f"{label} {text}" for label, text in card["details"] if label != "kind"]
    return "<br>".join([f"<b>{escape(card['name'])}</b>", *map(escape, [card["details"][0][1], *rows])])


def _lines(paths: list[Array], kind: str, side: str, width: int) -> dict[str, Any]:
    gap = np.full((1, 3), np.nan)
    rows = [part for path in paths if len(path) for part in (path, gap)]
    return stroke(np.vstack([np.zeros((0, 3)), *rows]), MARKS[kind][1], width, "solid") | {
        "meta": {"role": "lines", "kind": kind, "side": side}
    }


def stroke(path: Array, colour: str, width: int, dash: str) -> dict[str, Any]:
    """A line through path (k, 3), broken at nan."""
    line = {"color": colour, "width": width, "dash": dash}
    return {**_xyz(path), "type": "scatter3d", "mode": "lines", "line": line, "hoverinfo": "skip"}


def _xyz(points: Array) -> dict[str, list[float | None]]:
    rows = [[None if np.isnan(v) else round(float(v), 2) for v in row] for row in points]
    return {axis: [row[k] for row in rows] for k, axis in enumerate("xyz")}


def box_lines(low: Array, high: Array) -> list[dict[str, Any]]:
    """The datum planes' outlines in the box from low to high, and strokes from the origin forward, left and up."""
    return [*_planes(low, high), *_arrows(low, high)]


def _planes(low: Array, high: Array) -> list[dict[str, Any]]:
    """Outlines of x = 0, y = 0 and z = 0 through the box from low to high, where they lie in it."""
    out = []
    for k in range(3):
        a, b = (j for j in range(3) if j != k)
        corners = np.zeros((5, 3))
        corners[:, a] = np.array([low, high, high, low, low])[:, a]
        corners[:, b] = np.array([low, low, high, high, low])[:, b]
        out.append(stroke(corners, "#8a9199", 2, "dash") | {"meta": {"role": "datum"}})
    return out


def _arrows(low: Array, high: Array) -> list[dict[str, Any]]:
    """Strokes from the origin along forward, left and up."""
    ends = arrow_ends(low, high)
    return [stroke(np.stack([np.zeros(3), e]), "#e0402f", 7, "solid") | {"meta": {"role": "datum"}} for e in ends]


def arrow_ends(low: Array, high: Array) -> Array:
    """Tips (3, 3) of the arrows forward, left, up: one length for all three, mm."""
    return np.eye(3) * round(0.16 * float(np.max(high - low)), -1)
