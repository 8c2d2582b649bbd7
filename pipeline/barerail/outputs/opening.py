"""A panel over an irregular opening of a flat face: the opening as seen, the panel's edge and its fasteners."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from barerail.asked import OpeningSettings
from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.arcs import pieces
from barerail.geometry.contour import area_of
from barerail.outputs.cells import PLAIN, TEXT, csv_table, json_text
from barerail.outputs.facing import Facing, facing, inside, outline, plane_of
from barerail.outputs.flat import CUT, REFERENCE, Arc, Circle, Path, Shape, Sheet, sheet_dxf, sheet_svg
from barerail.outputs.header import header_fields, header_lines
from barerail.outputs.pages import sheet_pdf
from barerail.outputs.part_sheet import FOLDER, PARTS, sheet_text
from barerail.outputs.words import stamp, wrapped
from barerail.records import Array, CleanScan, Datum, Features, MountPoint, MountPoints, Note, Written

COLUMNS = {"number": 0, "kind": TEXT, **dict.fromkeys(("x_mm", "y_mm", "diameter_mm", "land_mm"), 2)}
MEANING = (
    "x, y: on the drawing, mm; land: from the middle of the fastener to the opening's edge as seen; fasteners whose "
    "land is less than asked, or beside the face, are left out and said"
)
SEGMENTS = 96


@dataclass(frozen=True, eq=False)
class Panel:
    """Closed lines (k, 2) of the opening and of the panel's edge, and fasteners (n, 2), drawn; off: left out."""

    opening: Array
    edge: Array
    fasteners: Array
    off: int


def opening_files(
    clean: CleanScan, features: Features, datum: Datum, points: MountPoints, stem: str, settings: OpeningSettings
) -> Written:
    """opening-NAME.dxf, .svg, .pdf, .csv, .json and .txt. DXF: LINE, ARC and CIRCLE only, and TEXT.

    UsageError: an unconfirmed datum, an unknown face; DataError: no flat face, no opening in it so large.
    """
    if told := stamp(datum):
        raise UsageError(f"no panel from a guessed datum. {told}")
    about = _face_point(points, settings.face)
    face, cloud = facing(plane_of(about, features, datum), about, clean, datum)
    seen = outline(cloud, clean.spacing_mm, np.zeros((0, 2)))
    chosen = _chosen(seen.openings, face, settings)
    panel = _panel(chosen, seen.edge, settings)
    notes = _notes(panel, seen.openings, clean, settings)
    words = _words(panel, face, clean, seen.bridged, settings)
    shapes = [
        *_drawn(CUT, panel.edge, settings.tolerance_mm),
        *(Circle(CUT, at, settings.hole_mm / 2) for at in panel.fasteners),
        *_drawn(REFERENCE, panel.opening, settings.tolerance_mm),
    ]
    header = header_lines("panel over an opening", datum, parts=PARTS)
    sheet = Sheet(stem, tuple(shapes), (*words, *(f"! {n.text}" for n in notes), *header))
    rows = [_row(i, at, panel, settings) for i, at in enumerate(panel.fasteners, 1)]
    document = {**header_fields("panel over an opening", datum), "parts": PARTS, "columns": MEANING}
    body: dict[str, Any] = {
        "face": settings.face,
        "origin_mm": np.round(face.origin, 4),
        "right_up_out": np.round(face.axes, 9),
        "opening_cm2": round(-area_of(panel.opening) / 100, 2),
        "opening_mm": np.round(panel.opening, 3),
        "edge_mm": np.round(panel.edge, 3),
        "fasteners": [{k: v if isinstance(v, str) else round(float(v), 3) for k, v in row.items()} for row in rows],
        "words": list(words),
        "notes": [n.text for n in notes],
    }
    lines = header_lines("panel over an opening", datum, columns=MEANING, parts=PARTS)
    files = {
        "dxf": sheet_dxf(sheet),
        "svg": sheet_svg(sheet),
        "pdf": sheet_pdf(sheet),
        "csv": csv_table(lines, COLUMNS, rows, PLAIN),
        "json": json_text(document | body),
        "txt": sheet_text("\n".join(line for w in words for line in wrapped(w)), datum, notes),
    }
    return Written({f"{FOLDER}/opening-{stem}.{form}": data for form, data in files.items()}, tuple(notes))


def _face_point(points: MountPoints, name: str) -> MountPoint:
    known = {p.name: p for p in points.points}
    if name not in known:
        raise no_point(name, known, "--face names a face, or a hole, slot or stud in it: ")
    if known[name].feature < 0:
        raise DataError(f"{name} is {known[name].state}, not measured: name a measured one in the face")
    return known[name]


def _chosen(openings: Sequence[Array], face: Facing, settings: OpeningSettings) -> Array:
    """The opening that holds the place asked for or is nearest to it; else the largest."""
    large = [line for line in openings if -area_of(line) >= 100 * settings.area_cm2]
    if not large:
        sizes = [-area_of(line) / 100 for line in openings]
        largest = (
            f"the largest has {max(sizes):.1f} cm2 (--area)" if sizes else "there is none: a notch in its edge is none"
        )
        raise DataError(f"no opening of {settings.area_cm2:g} cm2 in that face; {largest}")
    if settings.at is None:
        return min(large, key=area_of)
    place = face.flat(np.array(settings.at)[None])[0, :2]
    return min(large, key=lambda line: 0.0 if inside(place[None], line)[0] else _distance(place, line))


def _panel(opening: Array, face_edge: Array, settings: OpeningSettings) -> Panel:
    edge = _grown(opening, settings.overlap_mm)
    row = _grown(opening, settings.overlap_mm / 2)
    at = _spread(row, settings.pitch_mm)
    land = np.array([_distance(p, opening) for p in at])
    good = np.asarray(inside(at, face_edge), bool) & (land >= settings.land_mm)
    return Panel(opening, edge, at[good], int((~good).sum()))


def _grown(opening: Array, by: float) -> Array:
    """The line `by` mm outside a closed line (k, 2), its corners rounded, counter-clockwise and closed."""
    from manifold3d import CrossSection, JoinType

    ring = opening[-2::-1] if area_of(opening) < 0 else opening[:-1]
    grown = CrossSection([ring]).offset(by, JoinType.Round, circular_segments=SEGMENTS).to_polygons()
    line = max((np.asarray(p, float) for p in grown), key=lambda p: abs(area_of(np.vstack([p, p[:1]]))))
    return np.vstack([line, line[:1]])


def _spread(line: Array, pitch: float) -> Array:
    """Places (n, 2) evenly along a closed line, no farther apart than `pitch` mm along it."""
    step = np.linalg.norm(np.diff(line, axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(step)])
    count = max(3, int(np.ceil(run[-1] / pitch)))
    at = np.arange(count) * run[-1] / count
    return np.stack([np.interp(at, run, line[:, k]) for k in range(2)], axis=1)


def _distance(place: Array, line: Array) -> float:
    """Distance of a place (2,) from a closed line."""
    a, d = line[:-1], np.diff(line, axis=0)
    share = np.clip(np.einsum("ij,ij->i", place - a, d) / np.maximum(np.einsum("ij,ij->i", d, d), 1e-12), 0, 1)
    return float(np.linalg.norm(place - a - share[:, None] * d, axis=1).min())


def _drawn(layer: str, line: Array, tolerance: float) -> list[Shape]:
    """A closed line as straight pieces and arcs."""
    shapes: list[Shape] = []
    for piece in pieces(line, tolerance):
        if piece.centre is None:
            shapes.append(Path(layer, np.array([piece.start, piece.end])))
        else:
            ends = (piece.start, piece.end) if piece.turn > 0 else (piece.end, piece.start)
            start, end = (float(np.degrees(np.arctan2(*(p - piece.centre)[::-1]))) for p in ends)
            shapes.append(Arc(layer, piece.centre, piece.radius, start, end if end > start else end + 360.0))
    return shapes


def _words(panel: Panel, face: Facing, clean: CleanScan, bridged: float, s: OpeningSettings) -> tuple[str, ...]:
    size = np.ptp(panel.edge, axis=0)
    return (
        f"panel over an opening of {-area_of(panel.opening) / 100:.1f} cm2 in the face of {s.face}: "
        f"{size[0]:.0f} x {size[1]:.0f} mm, overlap {s.overlap_mm:g} mm, {len(panel.fasteners)} holes of {s.hole_mm:g} "
        f"mm no more than {s.pitch_mm:g} mm apart",
        f"drawn as seen from {face.seen_from}, with {face.top} at the top; true scale, mm",
        f"CUT: the panel's edge and holes; REFERENCE: the opening as scanned, good to about {clean.spacing_mm:.1f} mm, "
        f"as lines and arcs within {s.tolerance_mm:g} mm; gaps up to {bridged:.0f} mm closed; flat within "
        f"{face.flatness:.2f} mm (95 %); no kerf",
    )


def _notes(panel: Panel, openings: Sequence[Array], clean: CleanScan, settings: OpeningSettings) -> list[Note]:
    told = []
    if panel.off:
        told.append(
            f"fasteners left out, beside the face or within {settings.land_mm:g} mm of an edge: {panel.off}; look what "
            "the panel seals against there"
        )
    if len(openings) > 1:
        told.append(f"the face has {len(openings)} openings or gaps of the scan: look that this is the one meant")
    if clean.spacing_mm > settings.overlap_mm / 4:
        told.append(
            f"the scan's points are {clean.spacing_mm:.1f} mm apart, a lot for an overlap of {settings.overlap_mm:g} mm"
        )
    return [Note("opening", text, 1, True) for text in told]


def _row(number: int, at: Array, panel: Panel, settings: OpeningSettings) -> dict[str, Any]:
    values = (number, "hole", *at, settings.hole_mm, _distance(at, panel.opening))
    return dict(zip(COLUMNS, values, strict=True))
