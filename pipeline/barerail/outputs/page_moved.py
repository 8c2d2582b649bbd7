"""The page of a comparison: the map of distances, arrows of the shifts, rail curves and tables."""

import math
from collections import Counter
from typing import Any

import numpy as np

from barerail.outputs.moved import HELD, measure_cells, missing_words
from barerail.outputs.page import page_html
from barerail.outputs.page_rails import rail_figure
from barerail.outputs.page_scan import Shown, coarse, means, packed
from barerail.outputs.page_tables import Row
from barerail.outputs.page_view import MARKS, SIDES, arrow_ends, box_lines, stroke, with_u
from barerail.outputs.words import ASSUMED, AXES, CAUTIONS, axes_words, fixed, one_line, rounded_up, stamp
from barerail.records import Array, Datum, DistanceMap, Moves, Shift
from barerail.settings import ReportSettings

INWARD, MIDDLE, OUTWARD, NOTHING = "#2a5ca8", "#dcd8cf", "#b4531a", "#3b4046"
LEAST_FULL_MM = 1.0
FACTORS = (1000, 500, 200, 100, 50, 20, 10, 5, 2, 1)


def compare_html(moves: Moves, normals: Array, datum: Datum, settings: ReportSettings, title: str) -> bytes:
    """The page as UTF-8 bytes, everything inside; `normals` (n, 3) of the map's points in car axes."""
    seen = [s for s in moves.shifts if np.isfinite(s.position).all()]
    kinds = Counter(s.kind for s in seen)
    full = full_scale(seen)
    factor = arrow_factor(seen)
    moved = sorted((s for s in seen if s.found == "moved"), key=lambda s: -s.size_mm)
    return page_html(
        "compare.html.j2",
        {
            "view": _view(moves, normals, datum, seen, settings, full, factor),
            "straight": rail_figure(moves.rails, datum) if moves.rails else None,
        },
        title=title,
        held=HELD,
        stamp=stamp(datum),
        facts=_facts(moves),
        rails=bool(moves.rails),
        moved=[(one_line(s.name), s.words) for s in moved],
        not_seen=missing_words(moves),
        notes=[(n.text, n.warning) for n in moves.notes],
        assumed=[ASSUMED[key] for key in moves.assumed],
        cautions=CAUTIONS,
        axes=axes_words(datum),
        factor=factor,
        legend=_legend(moves.map, full),
        gradient=f"{INWARD}, {MIDDLE}, {OUTWARD}",
        kinds=[(kind, kinds[kind], *MARKS[kind]) for kind in MARKS if kinds[kind]],
        sides=SIDES,
        marks=MARKS,
        measures=[Row(measure_cells(name, m)) for name, m in moves.measures.items()],
        points=[_point_row(i, s) for i, s in enumerate(seen)],
        added=", ".join(map(one_line, moves.added)),
    )


def full_scale(shifts: list[Shift]) -> float:
    """Distance in mm at the ends of the map's colours: the largest shift of a point rounded up, 1 mm at least."""
    return max(LEAST_FULL_MM, float(np.ceil(max((s.size_mm for s in shifts if s.found == "moved"), default=0.0))))


def arrow_factor(shifts: list[Shift]) -> float:
    """A round factor that makes the largest shift about a tenth of the car's length."""
    size = max((s.size_mm for s in shifts if s.found == "moved"), default=0.0)
    if size == 0:
        return 100.0
    places = np.array([s.position for s in shifts])
    return float(next(f for f in FACTORS if f * size <= 0.1 * float(np.ptp(places, axis=0).max()) or f == 1))


def _legend(map_: DistanceMap | None, full: float) -> str:
    if map_ is None:
        return ""
    u = float(np.nanmedian(map_.U))
    return (
        f"later surface inside the earlier one by {full:g} mm or more (left) … within U, {u:.2f} mm in the middle of "
        f"all (neutral) … outside by {full:g} mm or more (right); dark: no earlier surface there"
    )


def _facts(moves: Moves) -> list[tuple[str, str]]:
    moved = sum(s.found == "moved" for s in moves.shifts)
    still = sum(s.found == "no movement above U" for s in moves.shifts)
    u = moves.unmoved
    return [
        ("points that moved", f"{moved} of {moved + still}"),
        ("laid on", f"{100 * u.share:.0f} % of the shared surface, spread {fixed(u.spread_mm, 2)} mm"),
        ("turn, U", f"{fixed(math.degrees(2 * math.sqrt(float(np.diag(u.cov)[3:].max()))), 4)}°"),
    ]


def _view(
    moves: Moves,
    normals: Array,
    datum: Datum,
    seen: list[Shift],
    settings: ReportSettings,
    full: float,
    factor: float,
) -> dict[str, Any]:
    places = np.array([s.position for s in seen]).reshape(-1, 3)
    scan = _coloured(moves.map, normals, settings.page_triangles, full) if moves.map else _bare(places)
    everything = np.vstack([scan.xyz, places, np.zeros((1, 3))])
    low, high = np.floor(everything.min(axis=0)) - 20, np.ceil(everything.max(axis=0)) + 20
    colours = [[0, INWARD], [0.49, MIDDLE], [0.5, MIDDLE], [0.98, OUTWARD], [0.99, NOTHING], [1, NOTHING]]
    tags = [{"text": w, "at": e.tolist()} for w, e in zip(AXES[datum.axes], arrow_ends(low, high))]
    return {
        "scan": packed(scan) | {"colours": colours},
        "low": low.tolist(),
        "high": high.tolist(),
        "traces": [*_marks(seen), *_arrows(seen, factor), *box_lines(low, high)],
        "points": [_card(s, places.mean(axis=0)) for s in seen],
        "datum": [*tags, {"text": "origin", "at": [0.0, 0.0, 0.0]}],
        "axes": list(AXES[datum.axes]),
        "turned": datum.axes == "iso4130",
    }


def _bare(places: Array) -> Shown:
    """Nothing but the points: a drawing has no surface."""
    n = len(places)
    return Shown(places, np.tile([0.0, 0, 1], (n, 1)), np.ones(n), np.full(n, 0.1), None)


def _coloured(map_: DistanceMap, normals: Array, budget: int, full: float) -> Shown:
    """The later surface, its grey the distance: 0 inside, 0.49 within U, 0.98 outside, 1 where nothing was before."""
    group, edge = coarse(map_.points, normals, 2.0, budget)
    known = np.isfinite(map_.distance)
    off = np.where(known & (np.abs(map_.distance) > map_.U), map_.distance, 0.0)
    value, share = means(group, np.nan_to_num(off)), means(group, known.astype(float))
    grey = np.where(share < 0.5, 1.0, 0.49 + 0.49 * np.clip(value / np.maximum(share, 0.5) / full, -1, 1))
    turned = means(group, normals)
    turned /= np.maximum(np.linalg.norm(turned, axis=1, keepdims=True), 1e-12)
    return Shown(group.mean, turned, grey, np.full(len(grey), min(1.05 * edge, 25.0)), None)


def _card(s: Shift, middle: Array) -> dict[str, Any]:
    rows = [("kind", f"{s.kind}, {SIDES.get(s.side, s.side)}")]
    u = 2 * np.sqrt(np.diag(s.cov))
    rows += [(f"shift {axis}", with_u(v, w, "mm")) for axis, v, w in zip("xyz", s.shift, u)]
    rows += [("shift", with_u(s.size_mm, s.U_mm, "mm")), ("state", s.found), ("moved", s.words), ("verdict", s.verdict)]
    shares = (("of U, drift", s.U_drift_mm), ("of U, supports", s.U_supports_mm))
    rows += [(label, f"{fixed(rounded_up(u, 2), 2)} mm") for label, u in shares if math.isfinite(u) and u > 0]
    away = (s.position - middle) * [0.2, 1.0, 1.0]
    away = np.nan_to_num(away / max(float(np.linalg.norm(away)), 1e-9)) + np.array([0.4, 0.0, 0.1])
    return {
        "name": one_line(s.name),
        "kind": s.kind,
        "side": s.side,
        "at": s.position.round(3).tolist(),
        "size": 20.0,
        "named": s.found == "moved" or s.verdict == "outside",
        "from": away.round(3).tolist(),
        "details": [(label, text) for label, text in rows if text],
    }


def _marks(seen: list[Shift]) -> list[dict[str, Any]]:
    out = []
    for kind in MARKS:
        for side in SIDES:
            rows = [i for i, s in enumerate(seen) if (s.kind, s.side) == (kind, side)]
            if rows:
                at = np.array([seen[i].position for i in rows])
                symbol, colour = MARKS[kind]
                marker = {"symbol": "circle" if symbol in ("dot", "star") else symbol, "color": colour, "size": 4}
                out.append(
                    {
                        **{axis: at[:, k].round(2).tolist() for k, axis in enumerate("xyz")},
                        "type": "scatter3d",
                        "mode": "markers",
                        "marker": marker,
                        "customdata": rows,
                        "hovertext": [f"{one_line(seen[i].name)}: {seen[i].words or seen[i].found}" for i in rows],
                        "hoverinfo": "text",
                        "meta": {"role": "points", "kind": kind, "side": side},
                    }
                )
    return out


def _arrows(seen: list[Shift], factor: float) -> list[dict[str, Any]]:
    """A stroke with a barb for each point that moved, longer by the factor."""
    out = []
    for s in seen:
        if s.found == "moved":
            tip = s.position + factor * s.told
            barb = np.cross(s.told, [0.3, 0.2, 1.0])
            barb *= 0.12 * factor * s.size_mm / max(float(np.linalg.norm(barb)), 1e-9)
            back = tip - 0.2 * factor * s.told
            path = np.vstack([s.position, tip, back + barb, tip, back - barb])
            out.append(
                stroke(path, "#e0402f", 6, "solid") | {"meta": {"role": "lines", "kind": s.kind, "side": s.side}}
            )
    return out


def _point_row(i: int, s: Shift) -> Row:
    limit = "" if s.limit_mm is None else fixed(s.limit_mm, 2)
    cells = (
        one_line(s.name),
        s.kind,
        s.side,
        *(fixed(v, 1) for v in s.position),
        with_u(s.size_mm, s.U_mm, ""),
        "; ".join(filter(None, (s.found, s.words))),
        limit,
        s.verdict,
    )
    return Row(cells, flag=s.found == "moved" or s.verdict == "outside", kind=s.kind, index=i)
