"""The datum in words: what it rests on, its residuals, what it leaves out, its U and what that means far away."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from barerail.geometry.frames import skew
from barerail.outputs.words import ASSUMED, GIVEN_U, axes_words, expanded, fixed, one_line, rounded_up, stamp
from barerail.records import Datum


def datum_words(datum: Datum) -> str:
    """The datum in words: axes, origin, method, U, what U means at the far end of the car, evidence, guesses."""
    lines = [
        f"Datum by {datum.method}: axes {datum.axes}, {axes_words(datum)}; mm",
        f"  origin   {one_line(datum.origin)}",
        *_uncertainty(datum),
        *(f"  {line}" for line in _evidence(datum)),
    ]
    lines += [f"  assumed  {ASSUMED.get(key, key)}" for key in datum.assumed]
    return "\n".join(filter(None, [*lines, stamp(datum)]))


def _uncertainty(datum: Datum) -> list[str]:
    if datum.method == "given":
        return [f"  U        {GIVEN_U}"]
    return [f"  U (k = 2) {_datum_U(datum)}", f"  far end  {_far_end(datum, far_x(datum))}"]


def _datum_U(datum: Datum) -> str:
    u = expanded(datum.covariance)
    turns = ", ".join(f"{name} {_digits(math.degrees(v))} deg" for name, v in zip(("roll", "pitch", "yaw"), u[3:]))
    return f"{turns}; {', '.join(f'{name} {_digits(v)} mm' for name, v in zip('xyz', u[:3]))}"


def far_x(datum: Datum) -> float:
    """x in mm of the end of what was seen that lies farthest from x = 0; -2000 where that isn't kept."""
    return max(datum.evidence.get("seen_x_mm", (-2000.0,)), key=abs)


def _far_end(datum: Datum, x: float) -> str:
    """U of the datum alone at (x, 0, 0) and its share of height half a metre out to the side."""
    moves = [np.hstack([np.eye(3), -skew(q)]) for q in ((x, 0.0, 0.0), (x, 500.0, 0.0))]
    middle, side = (expanded(j @ datum.covariance @ j.T) for j in moves)
    return (
        f"at x = {fixed(x, 0)} mm that is U {_digits(middle[1])} mm sideways and {_digits(middle[2])} mm in height "
        f"({_digits(side[2])} mm 500 mm off the centre plane)"
    )


def _digits(u: float) -> str:
    """An uncertainty at two significant figures, rounded up."""
    if not (math.isfinite(u) and u > 0):
        return fixed(u, 1) or "unknown"
    decimals = min(6, max(0, 1 - math.floor(math.log10(u))))
    return f"{rounded_up(u, decimals):.{decimals}f}"


def _evidence(datum: Datum) -> list[str]:
    """What the datum rests on, a line each for what is there."""
    e = datum.evidence
    rest = {k: len(e[k]) for k in ("pairs", "undersides") if k in e}
    lines = []
    if "mirrors_within_3_mm_percent" in e:
        share = e["mirrors_within_3_mm_percent"]
        lines.append(f"mirror   {share:.0f} % of the surface has its mirror image within 3 mm")
    if e.get("ratio_to_next_plane"):
        lines.append(f"rivals   scores {e['ratio_to_next_plane']:.1f} times the next best mirror plane")
    if rest:
        counts = " and ".join(f"{n} {'left/right pairs' if k == 'pairs' else k}" for k, n in rest.items())
        lines.append(f"rests on {counts}, each with its residual in datum.json")
    lines += _target_lines(e)
    lines += [f"{key}    {e[key]}" for key in ("front", "above") if key in e]
    lines += [f"left out {one_line(text)}" for text in e.get("left_out", ())]
    return lines


def _target_lines(e: Mapping[str, Any]) -> list[str]:
    """Each target with its reading less what was asked; the twist, what disagrees, the rails, the section."""
    by_place: dict[str, list[Mapping[str, Any]]] = {}
    for t in e.get("targets", ()):
        by_place.setdefault(f"{t['place']} {t.get('level', '')}", []).append(t)
    lines = [_target_line(rows) for rows in by_place.values()]
    if "twist_of_primary_mm" in e:
        lift, u = fixed(e["twist_of_primary_mm"], 2, "+"), _digits(e["twist_of_primary_U_mm"])
        lines.append(f"twist    the fourth primary target lies {lift} mm off the plane of the other three, U {u} mm")
        lines.append("         beside how the frame stood, which moves a corner by 1 to 2 mm where it had no support")
    if e.get("disagrees"):
        lines.append(f"misfit   {one_line(e['disagrees'])}")
    if "rails_to_datum" in e:
        lines.append(f"rails    their undersides lie in these axes at {_moves(e['rails_to_datum'], '')}")
    if "reference_less_whole" in e:
        lines.append(f"section  its datum less that of the whole: {_moves(e['reference_less_whole'], '+')}")
    return lines


def _target_line(rows: Sequence[Mapping[str, Any]]) -> str:
    """A place: what it reads along each axis asked for, off by how much; its weight, and what it pulls."""
    by_axis = {t["axis"]: t for t in rows}
    reads = {axis: (fixed(t["read_mm"], 2), fixed(t["residual_mm"], 2, "+")) for axis, t in by_axis.items()}
    read = ", ".join(f"{axis} {value} (off by {off})" for axis, (value, off) in reads.items())
    first, u = rows[0], max(t["U_mm"] for t in rows)
    line = f"target   {one_line(first['place'])}: reads {read} mm, U {_digits(u)}"
    line += "" if first["weight"] == 1 else f", weight {first['weight']:.2f}"
    pull = first.get("without_it_moves_mm")
    return line if pull is None else f"{line}; without it the datum moves by up to {pull:.2f} mm"


def _moves(values: Mapping[str, float], sign: str) -> str:
    """`pitch 0.020 deg, x 1.000 mm` of keys like pitch_deg, x_mm."""
    told = {key: fixed(value, 3, sign) for key, value in values.items()}
    return ", ".join(f"{name} {told[key]} {unit}" for key in told for name, unit in [key.rsplit("_", 1)])
