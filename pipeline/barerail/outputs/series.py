"""What a series of cars says, in words and as tables: series.csv, series.json."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from barerail import __version__
from barerail.errors import UsageError
from barerail.outputs.bolts import nominal, size_of
from barerail.outputs.cells import PLAIN, TEXT, csv_table, json_text
from barerail.outputs.fits import CLEARANCE
from barerail.outputs.header import CAUTION
from barerail.outputs.words import AXES, fixed, one_line, rounded_up, text_table, wrapped
from barerail.records import Series, Spread, Zone
from barerail.settings import SeriesSettings

NUMBERS = ("mean", "sd", "least", "greatest", "own_U", "between_sd", "between_low", "between_high")
COVARIANCE = tuple(f"cov_{axis}_mm2" for axis in "xyz")
COLUMNS = {
    **dict.fromkeys(("what", "kind", "axis"), TEXT),
    "n": 0,
    **dict.fromkeys((f"{name}_mm" for name in NUMBERS), 3),
    **dict.fromkeys(COVARIANCE, 4),
    "without_odd_n": 0,
    **dict.fromkeys((f"without_odd_{name}_mm" for name in NUMBERS), 3),
}
SERIES = ("fine", "medium", "coarse")
ASSUMED = (
    "a suggestion, not a rule: scatter taken as normal, the cars as drawn at random from all, the measurement's U "
    "taken off where the cars' own spread is larger, the bolt held in the chassis hole's own centre; a hole is no "
    "load path"
)


def _head(s: Series) -> tuple[str, ...]:
    axes = ", ".join(f"{axis} {word}" for axis, word in zip("xyz", AXES[s.axes]))
    return (
        "file: spread over a series of cars",
        f"tool: barerail {__version__}",
        f"unit: mm; x, y, z in each car's own datum, {axes}",
        "sd: as seen; own_U: k = 2 of one measurement, datum and drift included; between_sd: the cars' own, with its "
        "95 % interval; cov_*: covariance over the cars, as seen; without_odd_*: without those that may not belong",
        *(f"may not belong: {name}: {why}" for name, why in s.odd.items()),
        f"cautions: {CAUTION}",
    )


def series_csv(s: Series) -> bytes:
    """One row a point and axis, then one a length; beside it the same without cars that may not belong."""
    less = {} if s.without_odd is None else dict(spreads(s.without_odd))
    covariances = {(p.name, axis): dict(zip(COVARIANCE, row)) for p in s.points for axis, row in zip("xyz", p.cov)}
    kinds = {p.name: p.kind for p in s.points}
    rows = [
        dict.fromkeys(COLUMNS, float("nan"))
        | _row(name, kinds[name] if axis else "length", axis, v)
        | covariances.get((name, axis), {})
        | {f"without_odd_{key}": value for key, value in _numbers(less.get((name, axis))).items()}
        for (name, axis), v in spreads(s)
    ]
    return csv_table(_head(s), COLUMNS, rows, PLAIN)


def spreads(s: Series) -> list[tuple[tuple[str, str], Spread]]:
    """All of them by name and axis; a length has none."""
    points = [((p.name, axis), v) for p in s.points for axis, v in zip("xyz", p.axes)]
    return [*points, *(((name, ""), v) for name, v in s.lengths.items())]


def _row(what: str, kind: str, axis: str, v: Spread) -> dict[str, Any]:
    return {"what": what, "kind": kind, "axis": axis, **_numbers(v)}


def _numbers(v: Spread | None) -> dict[str, Any]:
    if v is None:
        return {}
    values = (v.mean, v.sd, v.least, v.greatest, v.own_U, v.between, v.low, v.high)
    return {"n": v.n, **dict(zip((f"{name}_mm" for name in NUMBERS), values))}


def series_json(s: Series, settings: SeriesSettings, failed: Mapping[str, str]) -> bytes:
    """All of it: spreads with covariances, zones with what they suggest, repeated scans, odd cars, failed scans."""
    body = _body(s, settings)
    if s.without_odd is not None:
        body["without_odd"] = _body(s.without_odd, settings)
    return json_text({"about": list(_head(s)), "assumed": ASSUMED, "failed": dict(failed), "odd": dict(s.odd), **body})


def _body(s: Series, settings: SeriesSettings) -> dict[str, Any]:
    return {
        "cars": s.cars,
        "points": [
            {
                "name": p.name,
                "kind": p.kind,
                "diameter_mm": p.diameter,
                "axes": {axis: _row(p.name, p.kind, axis, v) for axis, v in zip("xyz", p.axes)},
                "covariance_mm2": p.cov,
                "own_covariance_mm2": p.own.mean(axis=0),
                "scans": list(p.scans),
            }
            for p in s.points
        ],
        "lengths": [_row(name, "length", "", v) for name, v in s.lengths.items()],
        "zones": [zone_row(z, settings) for z in s.zones],
        "repeated_scans": [g.__dict__ for g in s.gauge],
        "notes": [n.text for n in s.notes],
    }


def zone_row(z: Zone, settings: SeriesSettings) -> dict[str, Any]:
    """A zone with the bolt it is for, and the hole of ISO 273 or the slot that would take it."""
    bolt = bolt_of(z, settings)
    hole, series, slot = suggested(bolt, z.zone_mm)
    return {
        "name": z.name,
        "share": z.share,
        "confidence": z.confidence,
        "factor": z.factor,
        "zone_mm": z.zone_mm,
        "told_apart": z.told_apart,
        "bolt": bolt,
        "hole_mm": hole,
        "iso273": series,
        "slot_mm": slot,
    }


def bolt_of(z: Zone, settings: SeriesSettings) -> str:
    """The bolt named in the settings, else that of the ISO 273 hole nearest the mean diameter; empty where none is."""
    given = settings.bolts.get(z.name, "")
    if given and given.upper() not in CLEARANCE:
        raise UsageError(f"series settings: bolts: {z.name} = {given!r} is none of {', '.join(CLEARANCE)}")
    if given or not np.isfinite(z.diameter_mm):
        return given.upper()
    return size_of(z.kind, z.diameter_mm, z.U_diameter_mm).bolt


def suggested(bolt: str, zone: float) -> tuple[float | None, str, float | None]:
    """Hole and series of ISO 273 whose clearance takes the zone, or the length of a slot as wide as the medium hole."""
    if not bolt:
        return None, "", None
    need = nominal(bolt) + zone
    for name, size in zip(SERIES, CLEARANCE[bolt]):
        if size >= need:
            return size, name, None
    wide = CLEARANCE[bolt][1]
    return wide, "slot", float(np.ceil((need + wide - nominal(bolt)) * 2) / 2)


def series_words(s: Series, settings: SeriesSettings, failed: Mapping[str, str]) -> str:
    """What the screen says."""
    ahead, side, _ = AXES[s.axes]
    lines = [
        f"Spread over {s.cars} scans, mm, x {ahead}, y {side}; own U: k = 2 of one measurement; cars: their own sd, "
        "with 95 % interval"
    ]
    head = ("", "axis", "n", "mean", "sd", "own U", "cars", "from", "to")
    rows = [_cells(name, axis, v) for (name, axis), v in spreads(s)]
    lines.append(text_table(head, rows, (False, False) + (True,) * 7))
    if s.zones:
        lines += wrapped(f"Holes that would take them ({ASSUMED}); <: lost in the measurement's own scatter")
        lines.append(_zone_table(s, settings))
    if s.gauge:
        cells = [(one_line(g.name), g.axis, *(fixed(v, 3) for v in (g.repeatability, g.reproducibility, g.cars)))
                 for g in s.gauge]  # fmt: skip
        lines.append("Repeated scans, sd in mm: one scanner's own, between operators, between cars")
        lines.append(text_table(("", "axis", "repeats", "operators", "cars"), cells, (False, False, True, True, True)))
    lines += [f"! {name} may not belong: {why}" for name, why in s.odd.items()]
    if s.without_odd is not None:
        rows = [_cells(name, axis, v) for (name, axis), v in changed(s)]
        lines += [f"Without {', '.join(s.odd)}, where the sd then differs by a tenth or more:"]
        lines.append(text_table(head, rows, (False, False) + (True,) * 7))
        lines += ["Holes that would take them without it:", _zone_table(s.without_odd, settings)]
    lines += [f"! {name} failed: {why}" for name, why in failed.items()]
    return "\n".join([*lines, *(f"- {n.text}" for n in s.notes)])


def changed(s: Series) -> list[tuple[tuple[str, str], Spread]]:
    """Spreads without the cars that may not belong, those whose sd differs from that of all by a tenth or more."""
    whole = dict(spreads(s))
    less = [] if s.without_odd is None else spreads(s.without_odd)
    return [(key, v) for key, v in less if abs(v.sd - whole[key].sd) >= 0.1 * whole[key].sd]


def _cells(name: str, axis: str, v: Spread) -> tuple[str, ...]:
    numbers = (fixed(v.mean, 2), fixed(v.sd, 2), fixed(rounded_up(v.own_U, 2), 2))
    return one_line(name), axis, str(v.n), *numbers, *(fixed(x, 2) for x in (v.between, v.low, v.high))


def _zone_table(s: Series, settings: SeriesSettings) -> str:
    cells = [_zone_cells(zone_row(z, settings)) for z in s.zones]
    return text_table(("", "cars", "zone mm", "bolt", "suggested"), cells, (False, True, True, False, False))


def _zone_cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    if not row["bolt"]:
        told = "no bolt is known: give one in the settings"
    elif row["iso273"] == "slot":
        told = f"slot {row['hole_mm']:g} x {row['slot_mm']:g} mm, ISO 273 has no round hole for it"
    else:
        told = f"{row['hole_mm']:g} mm, ISO 273 {row['iso273']}"
    share = f"{100 * row['share']:g} % at {100 * row['confidence']:g} %"
    zone = fixed(rounded_up(row["zone_mm"], 2), 2)
    return one_line(row["name"]), share, zone if row["told_apart"] else f"< {zone}", row["bolt"], told
