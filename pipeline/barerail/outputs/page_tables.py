"""Rows of the page's tables and lists, as plain text cells; the template escapes them."""

import math
from dataclasses import dataclass

import numpy as np

from barerail.outputs.page_view import with_u
from barerail.outputs.sides import LARGER, apart, by_size, verdict
from barerail.outputs.words import ASSUMED, GIVEN_U, TO_CONFIRM, expanded, fixed, left_open, one_line, quantity
from barerail.records import (
    LABELS,
    CleanScan,
    Datum,
    Features,
    MountPoint,
    MountPoints,
    Straightness,
)
from barerail.settings import ReportSettings


@dataclass(frozen=True)
class Row:
    """Cells of one line, whether it wants attention, and the point (index) it belongs to, -1 for none."""

    cells: tuple[str, ...]
    flag: bool = False
    kind: str = ""
    index: int = -1


def facts(clean: CleanScan, datum: Datum, points: MountPoints, s: Straightness) -> list[tuple[str, str]]:
    """What a reader wants first: the scan, what was found, the datum's U, the twist."""
    twist = s.measures.get("twist_deg")
    count = sum(p.state != "missing" for p in points.points)
    return [
        ("scan", ", ".join(one_line(source.name) for source in clean.scan.sources)),
        ("scan points", f"{len(clean.scan.points)} at {fixed(clean.spacing_mm, 2)} mm, noise {_noise(clean)}"),
        ("labelled points", f"{count}, {len(points.pairs)} left/right pairs"),
        ("datum, U", _datum_U(datum)),
        ("twist", (with_u(_nan(twist.value), _nan(twist.U), "°", 3) if twist else "") or "not determinable"),
    ]


def _datum_U(datum: Datum) -> str:
    if datum.method == "given":
        return GIVEN_U
    u = expanded(datum.covariance)
    return f"{fixed(float(np.max(u[:3])), 2)} mm, {fixed(math.degrees(float(np.max(u[3:]))), 3)}°"


def _noise(clean: CleanScan) -> str:
    return f"{fixed(clean.noise_mm, 2) or 'unknown'} mm"


def _nan(value: float | None) -> float:
    return math.nan if value is None else value


def assumptions(clean: CleanScan, datum: Datum) -> list[tuple[str, bool]]:
    """Each thing that was guessed, in words, and whether it wants a look: what waits for the user's word, warnings."""
    rows = [(ASSUMED.get(key, key), key in TO_CONFIRM) for key in datum.assumed]
    if clean.scan.unit_assumed and "unit" not in datum.assumed:
        rows.append((ASSUMED["unit"], False))
    ratio = datum.evidence.get("ratio_to_next_plane")
    if ratio is not None:
        ranked = len(datum.evidence.get("planes", ()))
        rows.append((f"the mirror plane: it scores {ratio:.2f} times the next best of {ranked} that were tried", False))
    return [*rows, *((one_line(note.text), True) for note in datum.notes if note.warning)]


def point_rows(points: MountPoints) -> list[Row]:
    """One row a point in the order given; rail stations last."""
    ranked = sorted(range(len(points.points)), key=lambda i: points.points[i].kind == "rail")
    return [_point_row(i, points.points[i]) for i in ranked]


def _point_row(index: int, p: MountPoint) -> Row:
    note = "; ".join(t for t in (p.state if p.state != "measured" else "", one_line(p.note)) if t)
    cells = (
        one_line(p.name),
        p.kind + (f", {p.face}" if p.face else ""),
        p.side,
        *(with_u(v, u, "") for v, u in zip(p.position, expanded(p.cov))),
        with_u(p.diameter, 2 * p.u_diameter, ""),
        with_u(p.length, 2 * p.u_length, ""),
        " ".join(fixed(v, 3) for v in p.axis) if np.isfinite(p.axis).all() and p.axis.any() else "",
        fixed(p.arc_deg, 0) if p.arc_deg else "",
        str(p.n) if p.n else "",
        fixed(p.rms, 2),
        note,
    )
    return Row(cells, p.state not in ("measured", "entered"), p.kind, index)


def pair_rows(points: MountPoints) -> list[Row]:
    """One row a pair, those above U first, and flagged."""
    rows = []
    for pair in by_size(points.pairs):
        told = (with_u(d, u, "") for d, u in zip(pair.difference, expanded(pair.cov)))
        cells = (one_line(pair.left), one_line(pair.right), *told, fixed(apart(pair), 2), verdict(pair))
        rows.append(Row(cells, verdict(pair) == LARGER))
    return rows


def measure_rows(s: Straightness) -> list[Row]:
    """One row a measure: name, value with U, verdict; then those that can't be told, one row a reason."""
    rows = []
    for name, m in s.measures.items():
        if m.value is not None:
            title, suffix = quantity(name)
            remark = "; ".join(t for t in (s.verdicts.get(name, ""), m.reason) if t)
            said = title.replace("_", " ") + (" per metre" if suffix.endswith("per_m") else "")
            value = with_u(m.value, _nan(m.U), m.unit, 3 if "deg" in m.unit else 2)
            rows.append(Row((said, value, remark), s.verdicts.get(name) == "outside"))
    return rows + [Row((names, "not determinable", why)) for names, why in left_open(s)]


def station_rows(s: Straightness) -> list[Row]:
    """One row a station: x, heights, twist with U, each rail's own roll, and whether it counts."""
    rows = []
    for p in s.stations:
        z = [with_u(v[2], 2 * c[2, 2] ** 0.5, "") for v, c in ((p.left, p.cov_left), (p.right, p.cov_right))]
        roll = [fixed(r, 2) or "none" for r in p.roll_deg]
        twist = with_u(p.twist_deg, p.U_twist_deg, "", 3)
        rows.append(Row((fixed(p.x, 0), *z, twist, *roll, "yes" if p.used else "left out"), not p.used))
    return rows


def bay_rows(s: Straightness) -> list[Row]:
    """One row a length that a tape or tram gauge would read, and one a bay for what its diagonals say."""
    rows = []
    for b in s.bays:
        for r in b.readings:
            cells = (r.what, one_line(r.a), one_line(r.b), with_u(r.length_mm, r.U_mm, "", 1), fixed(r.plan_mm, 1))
            rows.append(Row(cells))
        differ = with_u(b.difference_mm, b.U_difference_mm, "", 1)
        rows.append(Row(("diagonals differ", "", "", "", differ), abs(b.difference_mm) > b.U_difference_mm))
    return rows


def dropped(clean: CleanScan, features: Features, datum: Datum, points: MountPoints, s: Straightness) -> list[Row]:
    """What every stage saw, dropped or assumed, in the order of the stages, warnings flagged."""
    notes = dict.fromkeys([*clean.scan.notes, *clean.notes, *features.notes, *datum.notes, *points.notes, *s.notes])
    hidden = np.bincount(clean.label, minlength=len(LABELS))[1:]
    rows = [Row((n.stage, one_line(n.text), str(n.count)), n.warning) for n in notes]
    if hidden.any():
        shares = ", ".join(f"{name} {count}" for name, count in zip(LABELS[1:], hidden) if count)
        rows.append(Row(("page", f"not drawn in 3D: thinned points of {shares}", str(hidden.sum()))))
    return rows


def setting_rows(clean: CleanScan, features: Features, settings: ReportSettings) -> list[tuple[str, str]]:
    """The figures behind the results, in short."""
    noise = features.noise
    guessed = " (guessed)" if clean.scan.unit_assumed else ""
    return [
        ("unit of the file", f"{clean.scan.unit}{guessed}, {clean.scan.mm_per_unit:g} mm each"),
        ("thinning cell", f"{fixed(clean.voxel_mm, 2)} mm, to find things; numbers come from every point"),
        ("noise, white", f"{fixed(noise.white_mm, 3)} mm"),
        (
            "noise, correlated",
            f"{fixed(noise.corr_mm, 3)} mm over {fixed(noise.corr_length_mm, 0)} mm (power {noise.power:g})",
        ),
        ("scanner drift, assumed", f"{noise.drift_mm:g} mm and {noise.drift_mm_per_m:g} mm per m, 1 sd"),
        ("drawn on this page", f"at most {settings.page_triangles} triangles or points of the scan"),
        *((f"SHA-256 of {one_line(source.name)}", source.sha256) for source in clean.scan.sources),
    ]
