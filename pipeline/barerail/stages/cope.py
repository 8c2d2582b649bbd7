"""Tube ends: how a branch tube is to be cut so that it sits on another, from two measured or constructed axes."""

import numpy as np

from barerail.asked import CopeSettings
from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.cope import meeting, saddle
from barerail.geometry.together import derivative, together
from barerail.records import Array, Cope, Datum, Measure, MountPoint, MountPoints, NoiseModel, Note

STEPS = 360
ROUND = ("tube", "sleeve", "axis")


def cope(points: MountPoints, datum: Datum, noise: NoiseModel, settings: CopeSettings) -> Cope:
    """The unrolled cut of `tube` where it sits on `to`.

    Both are plain cylinders about their axes; outside diameters as measured where none is given. U: k = 2, joint, of
    angle, offset and measured diameters. UsageError: unknown names, no wall or diameter; DataError: no axis, parallel
    tubes, a branch that reaches past the side of the other.
    """
    a, b = _tube(settings.tube, points), _tube(settings.to, points)
    if a.name == b.name:
        raise UsageError("a tube can't be coped to itself: give two names")
    (od, u_od, od_from), (to_od, u_to, to_from) = _od(a, settings.od_mm, "--od"), _od(b, settings.to_od_mm, "--to-od")
    if not 0 < settings.wall_mm < od / 2:
        raise UsageError(f"--wall is {settings.wall_mm:g} mm on a tube of {od:g} mm: give the wall thickness, mm")
    turn = np.linspace(0, 2 * np.pi, STEPS + 1)
    joint = together(points, (a.name, b.name), datum, noise)
    met = meeting(a.position, a.axis, b.position, b.axis)
    far = abs(float((a.position - met.node) @ met.out))
    if far < to_od / 2:
        raise DataError(f"{a.name} stands {far:.0f} mm from the other's axis, inside it: name a place farther along it")

    def shape(v: Array) -> Array:
        m = meeting(v[0, :3], v[0, 3:], v[1, :3], v[1, 3:])
        return np.array([np.degrees(m.angle), m.offset])

    values, j = derivative(shape, joint.values)
    cov = joint.through(j)
    outside = saddle(turn, od / 2, to_od / 2, met.angle, met.offset)
    inside = saddle(turn, od / 2 - settings.wall_mm, to_od / 2, met.angle, met.offset)
    u = 2 * np.sqrt(np.maximum(np.diag(cov), 0.0))
    line = _line_u(turn, od, to_od, met.angle, met.offset, cov, u_od, u_to)
    return Cope(
        turn=turn, outside=outside, inside=inside, U_mm=line,
        angle_deg=Measure(float(values[0]), float(u[0]), "deg"), offset_mm=Measure(float(values[1]), float(u[1]), "mm"),
        node=met.node, out=met.out, lean=met.lean, side=met.side, od_mm=od, to_od_mm=to_od, od_from=od_from,
        to_od_from=to_from, wall_mm=settings.wall_mm, notes=_notes(a, b, met.angle, line, settings),
    )  # fmt: skip


def _tube(name: str, points: MountPoints) -> MountPoint:
    known = {p.name: p for p in points.points}
    if name not in known:
        raise no_point(name, known)
    if not np.isfinite(known[name].position).all():
        raise DataError(f"{name} was not found in the scan: {known[name].note or 'no coordinates'}")
    if not np.any(known[name].axis):
        raise DataError(f"{name} is a {known[name].kind} without an axis: name a tube, or construct a line")
    return known[name]


def _od(p: MountPoint, given: float | None, option: str) -> tuple[float, float, str]:
    """Outside diameter, its standard uncertainty, and where it comes from."""
    if given is not None:
        return given, 0.0, "as given"
    size, u = p.diameter, p.u_diameter
    if p.kind == "sleeve":
        size, u = (p.detail.get(key, np.nan) for key in ("outside_diameter_mm", "u_outside_diameter_mm"))
    if p.kind not in ("tube", "sleeve") or not np.isfinite(size):
        raise UsageError(f"{p.name} is of kind {p.kind}: give its outside diameter with {option}")
    return size, u, f"as measured, U {np.ceil(200 * u) / 100:.2f} mm"


def _line_u(
    turn: Array, od: float, to_od: float, angle: float, offset: float, cov: Array, u_od: float, u_to: float
) -> float:
    """Largest U of the outer line once it is marked from the node: of angle and offset, and both diameters, mm."""

    def line(x: Array) -> Array:
        beside = np.clip(x[0] / 2 * np.sin(turn) - x[3], -x[1] / 2, x[1] / 2)
        depth = np.sqrt(np.maximum(x[1] ** 2 / 4 - beside**2, (0.02 * x[1]) ** 2))
        return (x[0] / 2 * np.cos(turn) * np.cos(x[2]) + depth) / np.sin(x[2])

    at, steps = np.array([od, to_od, angle, offset]), np.diag([1e-4, 1e-4, 1e-6, 1e-4])
    j = np.stack([(line(at + h) - line(at - h)) / (2 * h.sum()) for h in steps], axis=1)
    total = np.zeros((4, 4))
    total[0, 0], total[1, 1] = u_od**2, u_to**2
    scale = np.diag([np.pi / 180, 1.0])
    total[2:, 2:] = scale @ cov @ scale
    return 2 * float(np.sqrt(max(0.0, np.einsum("ni,ij,nj->n", j, total, j).max())))


def _notes(a: MountPoint, b: MountPoint, angle: float, line: float, settings: CopeSettings) -> tuple[Note, ...]:
    told = [f"{p.name} is {p.state}, not measured" for p in (a, b) if p.state != "measured"]
    if np.degrees(angle) < settings.least_deg:
        told.append(f"the tubes meet at only {np.degrees(angle):.1f} degrees: the cut is long and hard to weld inside")
    if line > settings.fit_mm:
        told.append(
            f"U of the cut line is {np.ceil(10 * line) / 10:.1f} mm: leave that much on and grind to fit at the car"
        )
    return tuple(Note("cope", text, 1, True) for text in told)
