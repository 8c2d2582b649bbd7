"""What gets welded on or drilled into a rail: each function returns the part with its mark."""

from itertools import pairwise

import numpy as np
from manifold3d import CrossSection, Manifold

from barerail.records import Array
from barerail.scene.parts import Mark, Part, box, circle, cylinder, place, sweep, unit
from barerail.scene.rail import Seat, arc

SINK = 1.0
"""How deep a plate or tube reaches into what it is welded to, mm."""
STEPS = 48
"""Straight steps of a bend: of 114 mm radius and 90 degrees none leaves the arc by more than 0.02 mm."""


def hole(name: str, seat: Seat, d: float, depth: float, through: bool = False) -> Part:
    """Round hole through a wall of thickness `depth`; `through`: both faces can be seen."""
    cut = cylinder(seat.p + seat.n * 2, seat.p - seat.n * (depth + 2), d / 2)
    values = {"thickness": depth} if through else {}
    return Part(cut=(cut,), marks=(Mark("hole", name, seat.p, seat.n, d, values=values),))


def slot(name: str, seat: Seat, d: float, length: float, depth: float, through: bool = False) -> Part:
    """Slotted hole of width d and overall length along the seat's long direction."""
    shift = [(length - d) / 2, 0.0]
    outline = CrossSection.batch_hull([CrossSection([circle(d / 2) + shift]), CrossSection([circle(d / 2) - shift])])
    cut = place(outline.extrude(depth + 4), seat.p - seat.n * (depth + 2), np.vstack([seat.along, seat.across, seat.n]))
    values = {"length": length} | ({"thickness": depth} if through else {})
    mark = Mark("slot", name, seat.p, seat.n, d, {}, {"along": seat.along}, values)
    return Part(cut=(cut,), marks=(mark,))


def stud(name: str, seat: Seat, d: float, length: float) -> Part:
    rod = cylinder(seat.p - seat.n * seat.sink, seat.p + seat.n * length, d / 2)
    return Part(add=(rod,), marks=(Mark("stud", name, seat.p, seat.n, d, values={"length": length}),))


def _tab(seat: Seat, axis: Array, near: Array, tab: float, d: float, height: float, foot: float) -> Manifold:
    """A plate with a rounded end round the bolt, its inner face through `near` and growing along `axis`."""
    low, half = -height - seat.sink, foot / 2
    base = np.array([[-half, low], [half, low], [half, 4 - height], [-half, 4 - height]])
    eye = circle(d / 2 + 9)
    plate = CrossSection.hull_points(np.vstack([base, eye])).extrude(tab)
    return place(plate, near, np.vstack([np.cross(seat.n, axis), seat.n, axis]))


def clevis(name: str, seat: Seat, axis: Array, gap: float, tab: float, d: float, height: float) -> Part:
    """Two-tab bracket standing on a face: bolt `axis` in the plane of the face, `height` above it."""
    middle = seat.p + seat.n * height
    foot = d + 34
    tabs = tuple(_tab(seat, s * axis, middle + s * axis * gap / 2, tab, d, height, foot) for s in (1.0, -1.0))
    reach = gap / 2 + tab + 2
    cut = cylinder(middle - axis * reach, middle + axis * reach, d / 2)
    mark = Mark("clevis", name, middle, axis, d, values={"gap": gap, "tab": tab})
    return Part(tabs, (cut,), (mark,))


def sleeve(name: str, middle: Array, axis: Array, od: float, bore: float, length: float) -> Part:
    """Bushing tube with a bore, its axis through `middle`."""
    a, b = middle - axis * length / 2, middle + axis * length / 2
    cut = cylinder(a - axis, b + axis, bore / 2)
    mark = Mark("sleeve", name, middle, axis, bore, values={"od": od, "length": length})
    return Part((cylinder(a, b, od / 2),), (cut,), (mark,))


def tube(name: str, p0: Array, p1: Array, d: float, trim: float = 0.0) -> Part:
    """Round tube welded in between; its centreline can be seen from `trim` mm after p0 to as much before p1."""
    along = (p1 - p0) / np.linalg.norm(p1 - p0)
    seen = {"p0": p0 + trim * along, "p1": p1 - trim * along}
    mark = Mark("tube", name, (p0 + p1) / 2, along, d, seen)
    return Part((cylinder(p0 - along * SINK, p1 + along * SINK, d / 2),), (), (mark,))


def bent_tube(name: str, corners: Array, d: float, radius: float, trim: float = 0.0) -> Part:
    """One round tube along `corners` (k, 3), bent with one centreline radius: a mark a straight piece, seen from `trim`
    mm after its start to as much before its end, and one a bend, at its corner, with its radius, angle and arc."""
    way = [unit(b - a) for a, b in pairwise(corners)]
    angle = [float(np.arccos(u @ v)) for u, v in pairwise(way)]
    back = [trim, *(radius * np.tan(a / 2) for a in angle), trim]
    arcs = [arc(c, u, v, s, STEPS) for c, u, v, s in zip(corners[1:-1], way, way[1:], back[1:-1])]
    marks = []
    for k, (a, b) in enumerate(pairwise(corners)):
        seen = {"p0": a + back[k] * way[k], "p1": b - back[k + 1] * way[k]}
        marks.append(Mark("tube", f"{name}-{k}", (seen["p0"] + seen["p1"]) / 2, way[k], d, seen))
    for k, path in enumerate(arcs):
        values = {"radius": radius, "angle": float(np.degrees(angle[k])), "between": [f"{name}-{k}", f"{name}-{k + 1}"]}
        normal = unit(np.cross(way[k], way[k + 1]))
        marks.append(Mark("bend", f"{name}-bend-{k}", corners[k + 1], normal, d, {"path": path}, {}, values))
    solid = sweep(circle(d / 2), np.vstack([corners[:1], *arcs, corners[-1:]]))
    return Part((solid,), (), tuple(marks))


def shelf(name: str, seat: Seat, out: float, width: float, t: float, d: float) -> Part:
    """Plate standing out of a side face, level, with a hole for the body mount and two gussets below."""
    up = np.array([0.0, 0.0, 1.0])
    along = np.cross(seat.n, up)
    axes = np.vstack([seat.n, -along, up])
    plate = box(seat.p + seat.n * (out - SINK) / 2, axes, (out + SINK, width, t))
    gussets = tuple(_gusset(seat.p + k * (width / 2 - 8) * along, seat.n, out * 0.7) for k in (-1.0, 1.0))
    top = Seat(seat.p + seat.n * out * 0.55 + up * t / 2, up, along)
    return Part((plate, *gussets)) + hole(name, top, d, t, through=True)


def _gusset(corner: Array, out: Array, reach: float) -> Manifold:
    outline = CrossSection([np.array([[-SINK, 0.0], [-SINK, -reach], [0.0, -reach], [reach, 0.0]])])
    up = np.array([0.0, 0.0, 1.0])
    plate = outline.extrude(4.0).translate((0.0, 0.0, -2.0))
    return place(plate, corner, np.vstack([out, up, np.cross(out, up)]))


def panel(
    x: float, half: float, low: float, high: float, t: float, holes: list[tuple[str, float, float, float]]
) -> Part:
    """Upright plate across the car between y = -half and half, front face at x; holes (name, y, z, d)."""
    centre = np.array([x - t / 2, 0.0, (low + high) / 2])
    forward, left = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    part = Part((box(centre, np.eye(3), (t, 2 * (half + SINK), high - low)),))
    for name, y, z, d in holes:
        part += hole(name, Seat(np.array([x, y, z]), forward, left), d, t, through=True)
    return part


def strap(name: str, seat: Seat, axis: Array, d: float, height: float, tab: float = 5.0) -> Part:
    """A single tab with a hole in it, its face square to `axis`, standing on a face."""
    middle = seat.p + seat.n * height
    plate = _tab(seat, axis, middle - axis * tab / 2, tab, d, height, d + 34)
    face = Seat(middle + axis * tab / 2, axis, np.cross(seat.n, axis))
    return Part((plate,)) + hole(name, face, d, tab, through=True)
