"""Results in plain words and text tables, for the screen, the page and file headers. No colour, no width probing."""

import math
import re
import textwrap
from collections.abc import Sequence

import numpy as np
from rich.cells import cell_len

from barerail.records import Array, Bay, Datum, Measure, MountPoint, MountPoints, Straightness

GIVEN_U = "none: the given matrix is taken as exact, its own uncertainty was not stated"
AXES = {
    "iso8855": ("forward", "left", "up"),
    "iso4130": ("rearward", "right", "up"),
    "j670": ("forward", "right", "down"),
}
ASSUMED = {
    "front": "which end is the front, guessed from the shape (--front)",
    "above": "which way is up, guessed from the shape (--above)",
    "unit": "the unit of the scan file, guessed from its size (--unit)",
    "origin": "the origin, where nobody named one",
    "drift": "the size of the scanner's slow drift, a setting",
    "supports": "how the frame stood, not known",
    "rails": "which long round tubes are the rails: the lowest long pair",
}
TO_CONFIRM = ("front", "above", "unit")
CAUTIONS = (
    "A measurement aid only: it says nothing about strength, cracks, corrosion, wall thickness or steel grade, "
    "and is no inspection certificate and no approval by any rule book.",
    "Check scale, side and three hand measurements before you cut, drill or weld.",
    "Not proven is not straight: without a drawing only the symmetry was tested, and a frame bent equally on both "
    "sides passes.",
    "A hole found is not a load path; keep to the maker's repair and weld limits, and never modify a certified cage.",
    "A kinked part (a sharp crease) is replaced, not straightened.",
    "Rated stands on a level floor, battery off, fuel and airbags out, mind fumes, sparks and the scanner's laser.",
)
SECTION = (
    "the reference section, where none is named the two thirds of the length away from that end: then one scan can't "
    "say whether that end is bent or the rest"
)
MEANING = {
    "twist": "height of the left rail's centre less the right one's at the front station, less the same at the rear "
    "station: the roll of the rail centres at each station, a straight line through all stations, its value at the "
    "front less that at the rear; positive: the left rail is the higher one at the front; in mm: the corner height "
    "change across the gauge width, which is also how far a corner lifts with the other three held down (the residual "
    "from a best-fit plane is a quarter of it)",
    "diamond": "left rail ahead of the right one is positive, at the gauge width",
    "sidesway": "how far the ends of the centreline lie to the left of its middle, without what the twist moves them",
    "sag": "how far the middle lies below the ends",
    "sag_left_less_right": "how much further the left rail's middle lies below its ends than the right rail's, without "
    "what the twist lifts a wider part; a left rail whose end hangs reads negative here, and positive at that end",
    "mash": "left rail longer than the right one is positive",
    "gauge_width": "mean distance of the rail centres",
    **dict.fromkeys(
        ("rail_roll_left", "rail_roll_right"),
        "how far that rail's own section turns from the rear to the front station, left edge up at the front is "
        "positive; twist is the frame's, roll the rail's own",
    ),
    **dict.fromkeys(
        ("sidesway_rear", "sidesway_front"),
        f"how far that end of the centreline lies to the left, off the line through {SECTION}; where it is kicked up, "
        "with what a twist moves it",
    ),
    **dict.fromkeys(
        ("sag_left_less_right_rear", "sag_left_less_right_front"),
        f"how far the left rail's end hangs lower than the right one's, off the line of both through {SECTION}; where "
        "the frame is wider or narrower there, with what a twist lifts it",
    ),
    **dict.fromkeys(
        ("twist_rear", "twist_front"),
        "roll of the rail centres at that end less its mean in the reference section, left up is positive",
    ),
    **dict.fromkeys(
        tuple(f"sidesway_{side}_{end}" for end in ("rear", "front") for side in ("left", "right")),
        "how far that end of the rail lies to the left, off its own line through the reference section",
    ),
    **dict.fromkeys(
        tuple(f"sag_{side}_{end}" for end in ("rear", "front") for side in ("left", "right")),
        "how far that end of the rail lies low, off its own line through the reference section",
    ),
}
UNITS = ("_deg_per_m", "_deg", "_mm")
UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]+")


def one_line(text: str) -> str:
    """`text` with line breaks, control characters and broken surrogates turned into blanks."""
    return UNPRINTABLE.sub(" ", text)


def wrapped(text: str, width: int = 110) -> list[str]:
    """`text` as lines of at most so many characters, all but the first indented."""
    return textwrap.wrap(text, width, subsequent_indent="  ", break_on_hyphens=False)


def fixed(value: float, decimals: int, sign: str = "") -> str:
    """`value` with so many decimals; empty where it isn't finite; never a minus zero. sign: "+" shows that, too."""
    return f"{float(value):{sign}z.{decimals}f}" if math.isfinite(value) else ""


def rounded_up(value: float, decimals: int) -> float:
    """An uncertainty at so many decimals, never smaller than it is (JCGM 100:2008, 7.2.6)."""
    scale = 10.0**decimals
    return math.ceil(value * scale - 1e-6) / scale if math.isfinite(value) else value


def expanded(cov: Array) -> Array:
    """U (n,) at k = 2 from a covariance (n, n) of standard uncertainties."""
    return 2 * np.sqrt(np.diag(cov))


def axes_words(datum: Datum) -> str:
    """The axes in words, e.g. x forward, y left, z up."""
    return ", ".join(f"{axis} {word}" for axis, word in zip("xyz", AXES[datum.axes]))


def assumed_words(datum: Datum) -> str:
    """What was guessed, in words; empty where nothing was."""
    return "; ".join(ASSUMED.get(key, key) for key in datum.assumed)


def stamp(datum: Datum) -> str:
    """UNCONFIRMED: and what nobody has confirmed; empty where front, above and unit are known."""
    guessed = [key for key in TO_CONFIRM if key in datum.assumed]
    if not guessed:
        return ""
    options = ", ".join(f"--{key}" for key in guessed)
    return f"UNCONFIRMED: {', '.join(guessed)} guessed; look, then give {options}, or run barerail datum --confirm"


def text_table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[bool]) -> str:
    """A plain table, columns two blanks apart; `right` says which are right-aligned. Wide characters count as two."""
    widths = [max(map(cell_len, column)) for column in zip(head, *rows)]

    def line(cells: Sequence[str]) -> str:
        pads = [" " * (w - cell_len(c)) for w, c in zip(widths, cells)]
        return "  ".join(pad + c if r else c + pad for c, pad, r in zip(cells, pads, right)).rstrip()

    return "\n".join(map(line, [head, *rows]))


def points_table(points: MountPoints) -> str:
    """One row a point: name, kind, side, position, U (the largest of x, y, z), diameter with U, note.

    For tubes and rails U is across the axis: along it the middle of what was seen is no property of the car.
    """
    head = ("name", "kind", "side", "x mm", "y mm", "z mm", "U mm", "diameter mm", "U mm", "note")
    table = text_table(head, [_point_cells(p) for p in points.points], (False,) * 3 + (True,) * 6 + (False,))
    return f"{table}\nU: k = 2, the largest of U_x, U_y and U_z; of tubes and rails across their axis"


def _point_cells(p: MountPoint) -> tuple[str, ...]:
    across = np.eye(3) - np.outer(p.axis, p.axis) if p.kind in ("tube", "rail") else np.eye(3)
    u = float(np.max(expanded(across @ p.cov @ across)))
    note = "; ".join(filter(None, (p.state if p.state != "measured" else "", one_line(p.note))))
    return (
        *map(one_line, (p.name, p.kind, p.side)),
        *(fixed(v, 2) for v in p.position),
        fixed(rounded_up(u, 2), 2),
        fixed(p.diameter, 2),
        fixed(rounded_up(2 * p.u_diameter, 2), 2),
        note,
    )


def quantity(name: str) -> tuple[str, str]:
    """A measure's name without its unit, and the unit's suffix: twist_deg_per_m is (twist, _deg_per_m)."""
    suffix = next((u for u in UNITS if name.endswith(u)), "")
    return name.removesuffix(suffix), suffix


def _stretch(s: Straightness) -> str:
    """From where to where, and how wide; empty where too few stations were seen to say."""
    if not math.isfinite(s.from_x_mm):
        return ""
    ends = f"from x = {fixed(s.from_x_mm, 0)} mm (rear) to {fixed(s.to_x_mm, 0)} mm (front)"
    return f"{ends}, gauge width {fixed(s.gauge_width_mm, 1)} mm, "


def straightness_words(s: Straightness) -> str:
    """Each measure with U and verdict, or not determinable and why; what it means; the stations and gauge width."""
    used = sum(station.used for station in s.stations)
    known = [(name, m) for name, m in s.measures.items() if m.value is not None]
    rows = [_measure_cells(name, m, s.verdicts.get(name, "")) for name, m in known]
    return "\n".join(
        [
            f"Straightness {_stretch(s)}{used} of {len(s.stations)} stations used; U: k = 2",
            text_table(
                ("", "value", "U", "drift's", "supports'", "unit", ""), rows, (False, *(True,) * 4, False, False)
            ),
            "drift's, supports': the shares of U that the scanner's drift makes, a setting, and how the frame stood",
            *wrapped(s.rails),
            *_open(s),
            *([sits_words(s)] if math.isfinite(s.from_x_mm) else []),
            *_bays(s),
            *(line for names, text in meanings(s) for line in wrapped(f"{names}: {text}")),
            *(f"assumed: {ASSUMED.get(key, key)}" for key in s.assumed),
        ]
    )


def meanings(s: Straightness) -> list[tuple[str, str]]:
    """What each quantity that was measured is, those that mean the same together: their names, and the words."""
    told: dict[str, list[str]] = {}
    for name in dict.fromkeys(quantity(name)[0] for name, m in s.measures.items() if m.value is not None):
        if name in MEANING:
            told.setdefault(MEANING[name], []).append(name.replace("_", " "))
    return [(", ".join(names), text) for text, names in told.items()]


def left_open(s: Straightness) -> list[tuple[str, str]]:
    """What can't be told, those with one reason together: their names, and why; with a verdict where a limit is set."""
    told: dict[str, list[str]] = {}
    for name, m in s.measures.items():
        if m.value is None:
            verdict = f" ({s.verdicts[name]})" if name in s.verdicts else ""
            told.setdefault(m.reason, []).append(quantity(name)[0].replace("_", " ") + verdict)
    return [(", ".join(dict.fromkeys(names)), why) for why, names in told.items()]


def _open(s: Straightness) -> list[str]:
    return [line for names, why in left_open(s) for line in wrapped(f"not determinable: {names}: {why}")]


def _measure_cells(name: str, m: Measure, verdict: str) -> tuple[str, ...]:
    title, value = quantity(name)[0].replace("_", " "), m.value or 0.0
    decimals = 3 if "deg" in m.unit else 2
    shares = (fixed(rounded_up(u, decimals), decimals) if u is not None else "" for u in (m.U, m.U_drift, m.U_supports))
    told = fixed(value, decimals, "" if title == "gauge width" else "+")
    return title, told, *shares, m.unit, "; ".join(filter(None, (verdict, m.reason)))


def sits_words(s: Straightness) -> str:
    """Where along the car the twist sits, rear end first."""
    if s.sits_mm is None:
        return "where along the car the twist sits: too little of it to tell"
    if s.sits_mm == (s.from_x_mm, s.to_x_mm):
        return "the twist is spread evenly from end to end, as far as the stations tell"
    return f"the twist sits between x = {fixed(s.sits_mm[0], 0)} and {fixed(s.sits_mm[1], 0)} mm"


def _bays(s: Straightness) -> list[str]:
    """What a tape reads between left/right pairs, a row a bay: three of these are worth checking by hand."""
    if not s.bays:
        return []
    head = ("pair of", "to pair of", "left", "right", "left front", "right front", "differ", "U", "ahead")
    table = text_table(head, [_bay_cells(b) for b in s.bays], (False, False) + (True,) * 7)
    return [
        "Bays, mm, to check by hand: straight sides; diagonals in plan (from above), front to the other rear",
        f"{table}\nahead: left rail ahead of the right one, by the diagonals alone",
    ]


def _bay_cells(b: Bay) -> tuple[str, ...]:
    left, right, rear, front, one, two = b.readings
    sides = (fixed(left.length_mm, 1), fixed(right.length_mm, 1), fixed(one.plan_mm, 1), fixed(two.plan_mm, 1))
    u = fixed(rounded_up(b.U_difference_mm, 1), 1)
    return (one_line(rear.a), one_line(front.a), *sides, fixed(b.difference_mm, 1, "+"), u, fixed(b.ahead_mm, 1, "+"))
