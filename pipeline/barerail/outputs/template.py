"""Templates: one face of the chassis at true scale with its holes, for a cutter, a printer or the bench."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barerail.asked import TemplateSettings
from barerail.errors import DataError, UsageError, no_point
from barerail.outputs.bolts import Size, nominal, size_of, sizes_asked
from barerail.outputs.cut_list import cut_list_csv
from barerail.outputs.facing import Facing, Outline, facing, in_plane, inside, lies_in, outline, plane_of
from barerail.outputs.flat import CUT, REFERENCE, Circle, Path, Shape, Sheet, Words, sheet_dxf, sheet_svg, slot
from barerail.outputs.header import header_lines
from barerail.outputs.naming import file_stem
from barerail.outputs.pages import sheet_pdf
from barerail.outputs.tabs import with_tabs
from barerail.outputs.words import expanded, fixed, rounded_up, stamp
from barerail.records import Array, CleanScan, Datum, Features, MountPoint, MountPoints, Note, Written

FOLDER = "export"
HANDS = {"L": "left", "R": "right", "C": "centre"}
LETTER = 0.6
"""Width of a letter over its height, generously."""
BARRED = ("mirrored", "averaged", "entered", "constructed")


@dataclass(frozen=True, eq=False)
class Hole:
    """A hole, slot or stud on the drawing: place (2,) and long direction (2,) there, and what is cut for it."""

    point: MountPoint
    at: Array
    along: Array
    u: Array
    size: Size


def template(
    clean: CleanScan, features: Features, datum: Datum, points: MountPoints, settings: TemplateSettings
) -> Written:
    """DXF, SVG, tiled PDF and cut list of one face.

    UsageError: an unconfirmed datum, names that aren't there, points that weren't measured. DataError: no flat face.
    """
    if told := stamp(datum):
        raise UsageError(f"no template from a guessed datum. {told}")
    known = with_tabs(points.points, features, datum)
    named, base = _chosen(known, settings)
    face, cloud = facing(plane_of(base, features, datum), base, clean, datum)
    inner = [p for p in named if p.kind != "face"]
    if settings.points and not inner:
        raise UsageError("--points names faces alone: name the holes, slots or studs, or one face with --face")
    places = _places(inner, face)
    window = _window(inner, places, settings.margin_mm) if settings.points else None
    edge = outline(cloud, clean.spacing_mm, places, window)
    if settings.face:
        inner = [p for p in known if p.state == "measured" and lies_in(p, face)]
        places = _places(inner, face)
        kept = inside(places, edge.edge)
        inner, places = [p for p, k in zip(inner, kept) if k], places[kept]
    holes = _holes(inner, places, face, settings)
    name = file_stem(settings.part or settings.face or settings.points[0], "give the part a number with --part")
    return _written(name, _Part(face, edge, tuple(holes), datum, settings, clean.spacing_mm))


def _chosen(points: Sequence[MountPoint], settings: TemplateSettings) -> tuple[list[MountPoint], MountPoint]:
    """The points that are named, and the one whose face it is."""
    if bool(settings.face) == bool(settings.points):
        raise UsageError("a template takes either --face NAME or --points A,B,C")
    known = {p.name: p for p in points}
    named = settings.points or (settings.face,)
    if lost := [n for n in named if n not in known]:
        raise no_point(lost[0], known)
    if len(set(named)) < len(named):
        raise UsageError("--points names a point twice")
    found = [known[n] for n in named]
    for p in found:
        if p.state == "missing":
            raise DataError(f"{p.name} was not found in the scan: {p.note or 'no coordinates'}")
        if p.state in BARRED and not settings.force:
            raise UsageError(f"{p.name} is {p.state}, not measured: a part cut from it may not fit; --force takes it")
    measured = [p for p in found if p.feature >= 0]
    if not measured:
        raise DataError(f"{found[0].name} was not measured: at least one point must be, its face is the template's")
    return found, measured[0]


def _window(chosen: Sequence[MountPoint], places: Array, margin: float) -> Array:
    reach = np.array([margin + max(np.nan_to_num(p.diameter), np.nan_to_num(_slot_length(p))) / 2 for p in chosen])
    return np.array([(places - reach[:, None]).min(axis=0), (places + reach[:, None]).max(axis=0)])


def _slot_length(p: MountPoint) -> float:
    return p.length if p.kind == "slot" else np.nan


def _places(points: Sequence[MountPoint], face: Facing) -> Array:
    return np.array([in_plane(p, face) for p in points]).reshape(-1, 2)


def _holes(chosen: Sequence[MountPoint], places: Array, face: Facing, settings: TemplateSettings) -> list[Hole]:
    asked = sizes_asked(settings.sizes, [p.name for p in chosen])
    holes = []
    for p, at in zip(chosen, places):
        along = (face.axes @ np.nan_to_num(p.along))[:2]
        length = float(np.linalg.norm(along))
        flat = along / length if length > 0 else np.array([1.0, 0.0])
        size = asked.get(p.name) or size_of(p.kind, p.diameter, 2 * p.u_diameter)
        holes.append(Hole(p, at, flat, expanded(face.axes @ p.cov_local @ face.axes.T)[:2], size))
    return holes


@dataclass(frozen=True, eq=False)
class _Part:
    """All that the sheets of one template are made of."""

    face: Facing
    edge: Outline
    holes: tuple[Hole, ...]
    datum: Datum
    settings: TemplateSettings
    spacing: float

    @property
    def hand(self) -> str:
        sides = {h.point.side for h in self.holes}
        return HANDS[sides.pop()] if len(sides) == 1 else "centre"


def _written(name: str, part: _Part) -> Written:
    hands = [(name, part.hand, False)]
    if part.settings.pair:
        other = {"left": "right", "right": "left"}.get(part.hand)
        if other is None:
            raise UsageError("--pair: the part sits on neither the left nor the right, so there is no other hand")
        hands.append((_other_name(name), other, True))
    files: dict[str, bytes] = {}
    for title, hand, mirrored in hands:
        sheet = _sheet(title, hand, mirrored, part)
        stem = f"{FOLDER}/template-{title}"
        files |= {f"{stem}.dxf": sheet_dxf(sheet), f"{stem}.svg": sheet_svg(sheet), f"{stem}.pdf": sheet_pdf(sheet)}
        if not mirrored:
            rows = [(t, h) for t, h, _ in hands]
            files[f"{stem}-cut-list.csv"] = cut_list_csv(rows, sheet, part.settings, part.datum)
    return Written(files, tuple(Note("template", text, warning=True) for text in warnings(part)))


def _called(p: MountPoint, mirrored: bool) -> str:
    return (p.partner or _other_name(p.name)) if mirrored else p.name


def _other_name(name: str) -> str:
    for a, b in (("L", "R"), ("R", "L")):
        for end in ("", "-start", "-end"):
            if name.endswith(f"-{a}{end}"):
                return name.removesuffix(f"{a}{end}") + f"{b}{end}"
    return f"{name}-mirrored"


def _sheet(title: str, hand: str, mirrored: bool, part: _Part) -> Sheet:
    shapes: list[Shape] = [Path(CUT, part.edge.edge)]
    shapes += [Path(REFERENCE, line) for line in _free_openings(part)]
    for h in part.holes:
        shapes += _drawn(h)
    drawing = Sheet(title, tuple(shapes), ())
    drawing = drawing.mirrored() if mirrored else drawing
    aside = [np.array([_radius(h) + 2.0, 1.0]) for h in part.holes]
    labels = [Words(_flip(h.at, mirrored) + a, _called(h.point, mirrored)) for h, a in zip(part.holes, aside)]
    low, high = drawing.bounds()
    right = max(high[0], *(w.at[0] + LETTER * w.height * len(w.text) for w in labels), -np.inf)
    arrow = _up_arrow(np.array([right + 12.0, low[1]]), part.face.top)
    return Sheet(title, (*drawing.shapes, *arrow, *labels), _notes(hand, mirrored, part))


def _flip(at: Array, mirrored: bool) -> Array:
    return at * (-1.0, 1.0) if mirrored else at


def _up_arrow(foot: Array, top: str) -> list[Shape]:
    shaft = foot + np.array([(0.0, 0.0), (0.0, 30.0)])
    head = foot + np.array([(-3.0, 22.0), (0.0, 30.0), (3.0, 22.0)])
    return [Path(REFERENCE, shaft), Path(REFERENCE, head), Words(foot + np.array([4.0, 24.0]), top.upper())]


def _drawn(h: Hole) -> list[Shape]:
    p = h.point
    if p.kind == "slot" and p.length > p.diameter:
        shapes = slot(REFERENCE, h.at, h.along, p.length, p.diameter)
        if h.size.cut:
            shapes += slot(CUT, h.at, h.along, p.length - p.diameter + h.size.cut, h.size.cut)
        return shapes
    measured: list[Shape] = [Circle(REFERENCE, h.at, p.diameter / 2)]
    return measured + ([Circle(CUT, h.at, h.size.cut / 2)] if h.size.cut else [])


def _radius(h: Hole) -> float:
    return max(h.point.diameter, h.size.cut or 0.0) / 2


def _free_openings(part: _Part) -> list[Array]:
    """Openings of the face that are none of the holes."""
    return [
        line
        for line in part.edge.openings
        if not any(np.linalg.norm(line - h.at, axis=1).min() < _radius(h) + 2 * part.spacing for h in part.holes)
    ]


def _notes(hand: str, mirrored: bool, part: _Part) -> tuple[str, ...]:
    s, face = part.settings, part.face
    thickness = f"{s.thickness_mm:g} mm" if s.thickness_mm else "not given"
    made = "MIRRORED from the other side, which alone was measured: check it there" if mirrored else "as measured"
    turned = "the mirror image of what is seen" if mirrored else "as seen"
    return (
        f"part {s.part or 'without number'}: {hand} part, {made}; quantity {s.quantity}, "
        f"material {s.material or 'not given'}, thickness {thickness}",
        f"drawn {turned} from outside the chassis, from {face.seen_from}; the arrow points {face.top}; true scale, mm",
        f"outline: face as scanned, good to about {part.spacing:.1f} mm, flat within {face.flatness:.2f} mm (95 %); "
        f"gaps up to {part.edge.bridged:.0f} mm closed; no kerf and no bend allowance",
        "CUT: outline and ISO 273 medium holes; REFERENCE: holes as measured, other openings or gaps seen",
        *(_hole_words(h, _called(h.point, mirrored)) for h in part.holes),
        *(f"! {text}" for text in warnings(part)),
        *header_lines("template", part.datum),
    )


def _hole_words(h: Hole, name: str) -> str:
    p = h.point
    u = max(h.u)
    cut = f"cut {h.size.cut:g} mm" if h.size.cut else "not cut: no bolt of ISO 273 fits"
    bolt = f" for {h.size.bolt}" if h.size.bolt else " as asked" if h.size.cut else ""
    diameter = f"{fixed(p.diameter, 2)} mm (U {fixed(rounded_up(2 * p.u_diameter, 2), 2)})"
    return f"{name}: {p.kind}, measured {diameter}, {cut}{bolt}, place U {fixed(rounded_up(float(u), 2), 2)} mm"


def warnings(part: _Part) -> list[str]:
    """What to check before the part is cut, a line each."""
    told = []
    for h in part.holes:
        name, size, u = h.point.name, h.size, float(max(h.u))
        if size.clearance is not None and u >= size.clearance:
            told.append(
                f"{name}: U {fixed(rounded_up(u, 2), 2)} mm of place eats the radial clearance {size.clearance:.2f} "
                f"mm of {size.bolt} in {size.cut:g} mm: measure it by hand, or slot the hole"
            )
        if size.bolt and size.cut and h.point.kind != "stud" and nominal(size.bolt) > h.point.diameter:
            told.append(f"{name}: {size.bolt} is larger than the {h.point.diameter:.1f} mm measured")
        if size.rivals:
            told.append(f"{name}: {size.bolt} is a guess, by U it may be {', '.join(size.rivals)}: --size {name}=M..")
        if size.cut is None:
            told.append(f"{name}: no bolt of ISO 273 fits {h.point.diameter:.1f} mm: only on REFERENCE; --size cuts it")
        if h.point.state in BARRED:
            told.append(f"{name} is {h.point.state}, not measured: taken by --force")
    return told
