"""Points that are no feature of the scan: built from others, or typed in, with U carried through."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.together import SIX, built_on, derivative, together
from barerail.records import Array, Built, Construction, Datum, MountPoint, MountPoints, NoiseModel, Note
from barerail.settings import ConstructSettings
from barerail.stages.construct.ways import CAR_AXES, WAYS, angle_between

__all__ = ["construct"]

COUNT = {"offset": (1, 1), "middle": (2, 99), "line": (2, 2), "pierce": (1, 2), "nearest": (2, 2), "eye": (1, 1),
         "plane": (3, 99), "circle": (3, 99), "through": (2, 2)}  # fmt: skip
"""Fewest and most names each way is built from."""
WITH_AXIS = {"pierce": 2, "nearest": 2, "eye": 1, "through": 2}
"""How many of the names, from the first, must have an axis."""
ACROSS = np.cos(np.radians(15.0))
"""Holes whose normals lean more from the line between them share no bolt (judgement)."""
SIDES = {"L": 1, "R": -1}
SEEN = {"plan": "seen from above", "side": "seen from the side", "front": "seen from ahead"}


def construct(
    points: MountPoints, wanted: Sequence[Construction], datum: Datum, noise: NoiseModel, settings: ConstructSettings
) -> MountPoints:
    """The points with the constructed and entered ones after them; each may be built from those before it.

    U comes through the derivative of each construction by what it is built on (JCGM 102:2011, 6.2), joint covariance of
    all of that included; what the first order leaves out is below 1 % for angles of the size asked for. UsageError: a
    name twice or unknown, a side that disagrees with y; DataError: geometry that doesn't hold the point.
    """
    for c in wanted:
        if any(p.name == c.name for p in points.points):
            raise UsageError(f"{c.at}: the name stands for another point already; give this one its own")
        point, built = _entered(c) if c.how == "entered" else _constructed(c, points, datum, noise, settings)
        point = replace(point, side=_side(c, point.position, datum.axes, settings.centre_mm))
        points = replace(points, points=(*points.points, point), built={**points.built, c.name: built})
    return replace(points, notes=_notes(points, wanted))


def _entered(c: Construction) -> tuple[MountPoint, Built]:
    """A typed-in point: its U is what was typed in; it has none of the scan's."""
    u, stated = c.values.get("U_mm", 0.0) / 2, "U_mm" in c.values
    axis = np.array(c.values.get("axis", (0.0, 0, 0)))
    axis = axis / np.linalg.norm(axis) if np.any(axis) else axis
    own = np.diag([u**2] * 3 + [0.0] * 3)
    note = "typed in" if stated else "typed in without U: taken as exact"
    point = _point(c, "entered", np.array(c.values["at"]), axis, note)
    cov = own[:3, :3] if stated else np.full((3, 3), np.nan)
    return replace(point, cov=cov, cov_local=cov), Built((), np.zeros((SIX, 0)), own)


def _constructed(
    c: Construction, points: MountPoints, datum: Datum, noise: NoiseModel, settings: ConstructSettings
) -> tuple[MountPoint, Built]:
    of = _of(c, points)
    _check(c, of, settings)
    way = WAYS[c.how]

    def flat(values: Array) -> Array:
        made = way(values, c.values, of)
        return np.concatenate([made.place, made.axis, list(made.more.values())])

    joint = together(points, c.of, datum, noise)
    try:
        values, j = derivative(flat, joint.values)
    except DataError as error:
        raise DataError(f"{c.at}: {error}") from error
    names = list(way(joint.values, c.values, of).more)
    base, before, own = built_on(points.built, c.of)
    play = _play(c, of, values, names)
    built = Built(base, j[:SIX] @ before, j[:SIX] @ own @ j[:SIX].T + play)
    total, local = joint.through(j), j @ joint.local @ j.T
    total[:SIX, :SIX] += play
    local[:SIX, :SIX] += play
    more = dict(zip(names, values[SIX:].tolist()))
    u = dict(zip(names, np.sqrt(np.maximum(np.diag(total)[SIX:], 0.0)).tolist()))
    if c.how == "eye":
        u = dict.fromkeys(u, of[0].u_length)
    point = _point(c, "constructed", values[:3], values[3:SIX], _words(c, more, u))
    point = replace(
        point,
        cov=total[:3, :3],
        cov_local=local[:3, :3],
        cov_axis=total[3:SIX, 3:SIX] if np.any(point.axis) else np.zeros((3, 3)),
        by_datum=(j @ joint.by_datum)[:3],
        detail=more | {f"u_{name}": v for name, v in u.items()},
    )
    return _sized(point, c, of, more, u), built


def _sized(p: MountPoint, c: Construction, of: Sequence[MountPoint], more: dict[str, float], u: dict[str, float]
           ) -> MountPoint:  # fmt: skip
    """Diameter and length where the construction has them."""
    if c.how == "line":
        return replace(p, length=more["length_mm"], u_length=u["length_mm"])
    if c.how == "circle":
        return replace(p, diameter=more["pcd_mm"], u_diameter=u["pcd_mm"])
    if c.how == "through":
        least = max(of, key=lambda q: (q.bore_unseen, -q.diameter))
        u_diameter = float("nan") if least.bore_unseen else least.u_diameter
        sized = replace(p, diameter=least.opening_mm, u_diameter=u_diameter)
        return replace(sized, length=more["outside_mm"], u_length=u["outside_mm"])
    return p


def _of(c: Construction, points: MountPoints) -> tuple[MountPoint, ...]:
    known = {p.name: p for p in points.points}
    for name in c.of:
        if name not in known:
            raise no_point(name, known, f"{c.at}: ")
        if not np.isfinite(known[name].position).all():
            raise DataError(f"{c.at}: {name} was not found in the scan, so nothing can be built on it")
    return tuple(known[name] for name in c.of)


def _check(c: Construction, of: Sequence[MountPoint], settings: ConstructSettings) -> None:
    low, high = COUNT[c.how]
    if not low <= len(of) <= high or len(set(c.of)) < len(of):
        many = f"{low}" if low == high else f"{low} or more" if high > 2 else f"{low} or {high}"
        raise UsageError(f"{c.at}: {c.how} is built from {many} different points, got {len(of)}")
    if c.how in ("line", "through") and np.linalg.norm(of[1].position - of[0].position) < settings.least_mm:
        raise DataError(
            f"{c.at}: {c.of[0]} and {c.of[1]} lie within {settings.least_mm:g} mm: too close for a direction"
        )
    axes = WITH_AXIS.get(c.how, 1 if c.values.get("along") == "axis" else 0)
    for p in of[:axes]:
        if not np.any(p.axis):
            raise DataError(f"{c.at}: {p.name} has no axis, which {c.how} needs")
    if c.how == "pierce" and (len(of) == 2) == any(k in c.values for k in CAR_AXES):
        raise UsageError(
            f"{c.at}: pierce takes either a second point, whose axis is the plane's normal, or one of x, y, z"
        )
    if c.how == "eye" and not (of[0].kind == "bolt-axis" and of[0].length > 0):
        raise DataError(f"{c.at}: {of[0].name} is no two-tab bracket whose inner gap was measured")
    if c.how == "through" and not _in_line(of):
        raise DataError(
            f"{c.at}: {c.of[0]} and {c.of[1]} lie not across the line between them: no one bolt goes through both"
        )
    if c.how == "nearest":
        _apart(c, angle_between(np.array([np.r_[p.position, p.axis] for p in of])), settings.least_deg)
    if c.how == "pierce":
        normal = of[1].axis if len(of) == 2 else np.eye(3)[next(i for k, i in CAR_AXES.items() if k in c.values)]
        _apart(c, float(np.degrees(np.arcsin(min(1.0, abs(float(of[0].axis @ normal)))))), settings.least_deg)


def _in_line(of: Sequence[MountPoint]) -> bool:
    """Whether both holes' axes lie along the line between them, whichever of its faces leads each hole."""
    way = of[1].position - of[0].position
    return all(abs(float(p.axis @ way)) > ACROSS * float(np.linalg.norm(way)) for p in of)


def _apart(c: Construction, angle: float, least: float) -> None:
    if angle < least:
        raise DataError(
            f"{c.at}: only {angle:.2f} degrees between them, so where they meet is not held; at least {least:g}"
        )


def _play(c: Construction, of: Sequence[MountPoint], values: Array, names: Sequence[str]) -> Array:
    """Covariance (6, 6) of a joint that may sit anywhere within its play, and of the gap: it sits in its middle.

    Rectangular (JCGM 100:2008, 4.3.7). DataError where spacers and joint are wider than the gap by more than its U.
    """
    out = np.zeros((SIX, SIX))
    if c.how == "eye":
        play, u_gap = float(values[SIX + list(names).index("play_mm")]), of[0].u_length
        if play < -2 * u_gap or values[SIX + list(names).index("room_mm")] <= 0:
            raise DataError(
                f"{c.at}: spacers and joint are {-play:.2f} mm wider than the inner gap of {of[0].length:.2f} mm "
                f"(U {2 * u_gap:.2f}): measure the gap"
            )
        along = values[3:SIX] / np.linalg.norm(values[3:SIX])
        out[:3, :3] = (max(play, 0.0) ** 2 / 12 + u_gap**2 / 4) * np.outer(along, along)
    return out


def _words(c: Construction, more: dict[str, float], u: dict[str, float]) -> str:
    how = {"line": "line through", "middle": "middle of", "nearest": "closest approach of", "eye": "joint centre in"}
    told = [f"{how.get(c.how, f'{c.how} of')} {', '.join(c.of)}"]
    for key, value in more.items():
        name, _, unit = key.rpartition("_")
        decimals = 3 if unit == "deg" else 2
        U = np.ceil(2 * u[key] * 10**decimals - 1e-6) / 10**decimals
        told.append(f"{SEEN.get(name, name.replace('_', ' '))} {value:z.{decimals}f} {unit} (U {U:.{decimals}f})")
    return "; ".join(told)


def _point(c: Construction, state: str, place: Array, axis: Array, note: str) -> MountPoint:
    nan = float("nan")
    return MountPoint(
        name=c.name, kind="axis" if np.any(axis) else "point", side="", partner="", position=place, axis=axis,
        diameter=nan, length=nan, cov=np.zeros((3, 3)), cov_local=np.zeros((3, 3)), cov_axis=np.zeros((3, 3)),
        by_datum=np.zeros((3, 6)), u_diameter=nan, u_length=nan, arc_deg=nan, n=0, rms=nan, state=state, note=note,
    )  # fmt: skip


def _side(c: Construction, place: Array, axes: str, centre: float) -> str:
    """L, R or C by how far the place lies to the left, y or by ISO 4130 -y; a name in -L or -R must agree."""
    y, ending = float(place[1]), c.name[-2:]
    sign = -1.0 if axes == "iso4130" else 1.0
    if ending in ("-L", "-R") and sign * y * SIDES[ending[1]] <= 0:
        left = "positive" if sign > 0 else "negative"
        raise UsageError(f"{c.at}: the name ends in {ending} but the point has y = {y:z.1f} mm; left is {left}")
    return "C" if abs(y) <= centre else "L" if sign * y > 0 else "R"


def _notes(points: MountPoints, wanted: Sequence[Construction]) -> tuple[Note, ...]:
    exact = [c.name for c in wanted if c.how == "entered" and "U_mm" not in c.values]
    if not exact:
        return ()
    return (Note("constructions", f"typed in without U, taken as exact: {', '.join(exact)}", len(exact), True),)
