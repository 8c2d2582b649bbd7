"""Tables for other programs: points and pairs as CSV; points, datum and straightness as JSON."""

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from barerail.outputs.cells import MM_PER, PLAIN, TEXT, Style, csv_table, digits, json_text, rounded
from barerail.outputs.fits import fits
from barerail.outputs.header import header_fields, header_lines, states
from barerail.outputs.sides import apart, by_size, one_sided, verdict
from barerail.outputs.words import AXES, GIVEN_U, MEANING, expanded, one_line, quantity
from barerail.records import (
    TWO_FACED,
    Array,
    Bay,
    BentTube,
    Datum,
    MountPoint,
    MountPoints,
    Pair,
    StationPair,
    Straightness,
)

COLUMNS = {
    **dict.fromkeys(("name", "kind", "side", "partner"), TEXT),
    **dict.fromkeys(("x_mm", "y_mm", "z_mm"), 3),
    **dict.fromkeys(("axis_x", "axis_y", "axis_z"), 6),
    **dict.fromkeys(("diameter_mm", "length_mm"), 3),
    **dict.fromkeys(("U_x_mm", "U_y_mm", "U_z_mm", "U_local_x_mm", "U_local_y_mm", "U_local_z_mm", "U_diameter_mm"), 3),
    "arc_deg": 0,
    "n": 0,
    "rms_mm": 3,
    **dict.fromkeys(("state", "note", "face"), TEXT),
    **dict.fromkeys(("along_x", "along_y", "along_z"), 6),
    "U_length_mm": 3,
    "U_axis_deg": 3,
    **dict.fromkeys(("measured_x_mm", "measured_y_mm", "measured_z_mm"), 3),
    **dict.fromkeys(("U_measured_x_mm", "U_measured_y_mm", "U_measured_z_mm"), 3),
    **dict.fromkeys(("group", "tube_a", "tube_b"), TEXT),
}
"""Columns of points.csv and their decimals; points.json has three more."""
PAIR_COLUMNS = {
    **dict.fromkeys(("left", "right"), TEXT),
    **dict.fromkeys(("dx_mm", "dy_mm", "dz_mm", "U_dx_mm", "U_dy_mm", "U_dz_mm", "apart_mm"), 3),
    "against_U": TEXT,
}
OPPOSITE = {a: b for pair in (("up", "down"), ("fore", "aft"), ("inboard", "outboard")) for a, b in (pair, pair[::-1])}
LOCAL = "U_local is from the fit alone, without datum, drift and scale, for distances within one bracket"
BESIDE = "measured_: where state is mirrored or averaged, the point as measured, empty where it wasn't seen"
DIFFERENCE = (
    "of what was measured: the right point mirrored to the left, less the left point; the datum's share of U cancels"
)


def points_csv(points: MountPoints, datum: Datum, style: Style = PLAIN) -> bytes:
    """points.csv: `#` header, then one row a point in the datum's axes; U at k = 2, rounded up.

    points: lengths in the style's unit (`view.scaled`).
    """
    lines = header_lines("mounting points", datum, style, columns=f"{LOCAL}; {BESIDE}", **states(points))
    return csv_table(lines, COLUMNS, (_row(p) for p in points.points), style)


def pairs_csv(points: MountPoints, datum: Datum) -> bytes:
    """Left/right pairs, those above U first: right mirrored less left, mm, each with U (k = 2)."""
    alone = ", ".join(one_line(p.name) for p in one_sided(points))
    lines = header_lines("left/right pairs", datum, columns=DIFFERENCE, one_sided=alone or "none")
    return csv_table(lines, PAIR_COLUMNS, map(_pair_row, by_size(points.pairs)), PLAIN)


def points_json(points: MountPoints, datum: Datum, style: Style = PLAIN) -> bytes:
    """points.json: points.csv with full covariances, derivative by the datum, ends, both faces and details.

    points: lengths in the style's unit (`view.scaled`). What is in it and how: points.schema.json beside this module.
    """
    about = {
        "columns": f"{LOCAL}; {BESIDE}",
        **states(points),
        style.name("covariance_mm2"): "3x3, standard uncertainties squared, datum, drift and scale included; _local: "
        "the fit alone",
        "by_datum": "3x6, derivative of the point by the six numbers of datum.json (tx, ty, tz mm; rx, ry, rz rad)",
        style.name("ends_mm"): "inner-face points of a bracket, ends of a seen centreline, face centres of a hole or "
        "mounting face seen on both",
        "pairs": DIFFERENCE,
        "bent_tubes": "round tubes bent from one piece: their straight pieces in order, each bend between two of them "
        "(radius is the centreline's) and the whole centreline, from seen end to seen end",
    }
    pairs = [
        rounded(_pair_row(p), PAIR_COLUMNS, style) | {style.name("covariance_mm2"): digits(p.cov)}
        for p in by_size(points.pairs)
    ]
    bent = [_bent(b, style) for b in points.bent]
    body = {"points": [_point(p, style) for p in points.points], "pairs": pairs, "bent_tubes": bent}
    return json_text({**_header(datum, "mounting points", style), "about": about, **body})


def datum_json(datum: Datum) -> bytes:
    """datum.json, the car datum with covariance, U, recipe and evidence."""
    body = {
        "car_from_scan": datum.car_from_scan,
        "scan_unit": datum.scan_unit,
        "mm_per_scan_unit": datum.mm_per_scan_unit,
        "recipe": datum.recipe,
        "covariance": datum.covariance,
        **_datum_U(datum),
        "evidence": datum.evidence,
        "notes": [n.text for n in datum.notes],
    }
    return json_text({**_header(datum, "car datum"), **body})


def _datum_U(datum: Datum) -> dict[str, Any]:
    """U by name at k = 2, null with the reason where none was stated."""
    names = ("roll_deg", "pitch_deg", "yaw_deg", "x_mm", "y_mm", "z_mm")
    if datum.method == "given":
        return {"U": dict.fromkeys(names), "U_reason": GIVEN_U}
    u = expanded(datum.covariance)
    return {"U": dict(zip(names, (*map(math.degrees, u[3:]), *u[:3])))}


def straightness_json(s: Straightness, datum: Datum) -> bytes:
    """straightness.json: each measure flat, with `_U` (k = 2), `_reason` where it can't be told; stations, verdicts."""
    measures: dict[str, Any] = {}
    for name, m in s.measures.items():
        measures |= {name: m.value, f"{name}_U": m.U} | ({f"{name}_reason": m.reason} if m.reason else {})
        shares = {f"{name}_U_drift": m.U_drift, f"{name}_U_supports": m.U_supports}
        measures |= {key: share for key, share in shares.items() if share is not None}
    names = dict.fromkeys(quantity(name)[0] for name in s.measures)
    body = {
        **measures,
        "gauge_width_mm": s.gauge_width_mm,
        "from_x_mm": s.from_x_mm,
        "to_x_mm": s.to_x_mm,
        "meaning": {name: MEANING[name] for name in names if name in MEANING},
        **({"rails": s.rails} if s.rails else {}),
        "twist_sits_mm": s.sits_mm,
        "verdicts": s.verdicts,
        "bays": [_bay(b) for b in s.bays],
        "stations": [_station(station) for station in s.stations],
        "notes": [n.text for n in s.notes],
    }
    assumed = list(dict.fromkeys((*datum.assumed, *s.assumed)))
    return json_text({**_header(datum, "frame straightness"), "assumed": assumed, **body})


def _row(p: MountPoint) -> dict[str, Any]:
    """Values of `COLUMNS`, not yet rounded; nan where there is none."""
    axis = p.axis if np.any(p.axis) else np.full(3, np.nan)
    tilt = 2 * math.degrees(math.sqrt(max(0.0, np.linalg.eigvalsh(p.cov_axis)[-1]))) if np.any(p.cov_axis) else np.nan
    values = (p.name, p.kind, p.side, p.partner, *p.position, *axis, p.diameter, p.length, *expanded(p.cov))
    values += (*expanded(p.cov_local), 2 * p.u_diameter, p.arc_deg, p.n, p.rms, p.state, p.note, p.face)
    beside = (*p.measured.position, *expanded(p.measured.cov)) if p.measured else (np.nan,) * 6
    values += (*p.along, 2 * p.u_length, tilt, *beside, p.group, *(p.tubes or ("", "")))
    return dict(zip(COLUMNS, values, strict=True))


def _pair_row(p: Pair) -> dict[str, Any]:
    return dict(
        zip(PAIR_COLUMNS, (p.left, p.right, *p.difference, *expanded(p.cov), apart(p), verdict(p)), strict=True)
    )


def _point(p: MountPoint, style: Style) -> dict[str, Any]:
    """One point of points.json."""
    more: dict[str, Any] = {
        "covariance_mm2": digits(p.cov),
        "covariance_local_mm2": digits(p.cov_local),
        "covariance_axis_rad2": digits(p.cov_axis),
        "by_datum": digits(p.by_datum),
        "ends_mm": _places(p.ends, style),
        "detail": {style.name(key): float(f"{value:.9g}") for key, value in p.detail.items()},
    }
    if p.kind in TWO_FACED:
        more["faces"] = _faces(p, style)
    if p.kind in ("hole", "bolt-axis"):
        mm = MM_PER[style.unit]
        more["fits"] = [f._asdict() for f in fits(mm * p.diameter, mm * 2 * p.u_diameter)]
    return rounded(_row(p), COLUMNS, style) | {style.name(key): value for key, value in more.items()}


def _bent(b: BentTube, style: Style) -> dict[str, Any]:
    """One bent tube of points.json."""
    bends = [
        {
            style.name("radius_mm"): round(o.radius, style.decimals("_mm", 4)),
            style.name("U_radius_mm"): round(2 * o.u_radius, style.decimals("_mm", 4)),
            "angle_deg": round(o.angle_deg, 3),
            style.name("arc_mm"): _places(o.arc, style),
            "n": o.n,
            style.name("rms_mm"): round(o.rms, style.decimals("_mm", 4)),
        }
        for o in b.bends
    ]
    return {"tubes": list(b.names), "bends": bends, style.name("centreline_mm"): _places(b.centreline, style)}


def _places(at: Array, style: Style) -> Array:
    return np.round(at, style.decimals("_mm", 6)) + 0.0


def _faces(p: MountPoint, style: Style) -> list[dict[str, Any]]:
    """The face that leads and, where the hole was seen from both sides, the other one, each with its centre."""
    faces = [(p.face, p.position, p.axis)]
    if len(p.ends) == 2:
        far = p.ends[np.argmax(np.linalg.norm(p.ends - p.position, axis=1))]
        faces.append((OPPOSITE.get(p.face, ""), far, -p.axis))
    centre = style.name("centre_mm")
    return [{"face": f, centre: _places(c, style), "normal": np.round(n, 9) + 0.0} for f, c, n in faces]


def _bay(b: Bay) -> dict[str, Any]:
    return {
        "readings": [asdict(r) for r in b.readings],
        "diagonals_differ_mm": b.difference_mm,
        "diagonals_differ_U_mm": b.U_difference_mm,
        "left_ahead_mm": b.ahead_mm,
    }


def _station(s: StationPair) -> dict[str, Any]:
    return {
        "x_mm": s.x,
        "left_mm": np.round(s.left, 6),
        "right_mm": np.round(s.right, 6),
        "left_U_mm": digits(expanded(s.cov_left)),
        "right_U_mm": digits(expanded(s.cov_right)),
        "left_roll_deg": s.roll_deg[0],
        "right_roll_deg": s.roll_deg[1],
        "twist_deg": s.twist_deg,
        "twist_deg_U": s.U_twist_deg,
        "used": s.used,
    }


def _header(datum: Datum, file: str, style: Style = PLAIN) -> dict[str, Any]:
    """The header of a JSON file: as in words, but axes, guesses and k as data."""
    axes = dict(zip("xyz", AXES[datum.axes]))
    words = header_fields(file, datum, style)
    fields = {**words, "axes": {"name": datum.axes, **axes}, "assumed": datum.assumed, "k": 2}
    return {**fields, "confirmed": "stamp" not in fields}
