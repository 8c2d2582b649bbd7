"""Three-two-one: a primary plane (z, roll, pitch), then a secondary (y, yaw), then a tertiary (x)."""

from collections.abc import Mapping, Sequence

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import rigid, transform, unit
from barerail.records import Array, CleanScan, Features, NoiseModel
from barerail.settings import DatumSettings

from .guide import guide_of
from .places import FLOOR_WORD, Finder, parts_of, picked
from .posing import Posed, Target, joint
from .signs import front_of, hints_of, up_of

LEVELS = ((2, 3, 4), (1, 5), (0,))
NAMES = ("primary", "secondary", "tertiary")
AXES = (2, 1, 0)
APART = 30.0
"""Least spread in mm of targets across the line that they nearly lie on (judgement)."""


def targets_of(settings: DatumSettings, finder: Finder) -> tuple[Target, ...]:
    """The targets of the three levels. UsageError for what can't be one, DataError where it isn't seen."""
    out: list[Target] = []
    for level, name in enumerate(NAMES):
        given: Mapping[str, float] = getattr(settings, name)
        if not given:
            raise UsageError(f"[datum] three-two-one needs {name} targets, like {name} = {{ 'NAME' = 0.0 }}")
        if level == 0 and len(given) == 1:
            out += _plane(*next(iter(given.items())), finder)
        else:
            out += [target for text, value in given.items() for target in _one(text, value, level, finder, len(given))]
    return tuple(out)


def _plane(text: str, value: float, finder: Finder) -> list[Target]:
    """One plane as the whole primary: the floor or table, or the flat face that was picked."""
    at = picked(text)
    if text == FLOOR_WORD:
        places = finder.floor()
    elif at is not None and (face := finder.face(at * finder.clean.scan.mm_per_unit)) >= 0:
        places = finder.whole_face(f"the face at {text}", face)
    else:
        raise UsageError(
            f"[datum] primary: {text} alone holds no plane; give three places or more, '{FLOOR_WORD}', or a point "
            "picked on a flat face"
        )
    return [Target(p.words, (p,), np.ones(1), 2, value) for p in places]


def _one(text: str, value: float, level: int, finder: Finder, count: int) -> list[Target]:
    if text == FLOOR_WORD:
        raise UsageError(f"[datum] {NAMES[level]}: '{FLOOR_WORD}' can only be the primary, alone")
    places = tuple(finder.of(part) for part in parts_of(text))
    if len(places) > 2:
        raise UsageError(f"[datum] {NAMES[level]}: {text} names more than two places; A..B is the mid-point of two")
    made = [Target(text, places, np.full(len(places), 1 / len(places)), AXES[level], value, level)]
    if level == 1 and count == 1 and len(places) == 2:
        made.append(Target(f"{text}, at one x", places, np.array([1.0, -1.0]), 0, 0.0, level))
    return made


def check(targets: Sequence[Target], where: str = "") -> None:
    """UsageError where a level has too few targets, or ones on a line or in one place."""
    points = [_middles(targets, level) for level in range(3)]
    for level, fewest in enumerate((3, 2, 1)):
        if len(points[level]) < fewest:
            raise UsageError(
                f"[datum] {NAMES[level]}{where}: {len(points[level])} target{'s' * (len(points[level]) != 1)}, "
                f"{fewest} needed" + (", or the mid-point A..B of one left/right pair" if level == 1 else "")
            )
    if (off := _spread(points[0], 1)) < APART:
        raise UsageError(
            f"[datum] primary{where}: the targets lie within {off:.0f} mm of one line, a turn stays open; "
            "take one well to the side"
        )


def _middles(targets: Sequence[Target], level: int) -> Array:
    at = [np.mean([p.point for p in t.places], axis=0) for t in targets if t.level == level]
    return np.array(at).reshape(-1, 3)


def _spread(points: Array, way: int) -> float:
    """Root mean square distance in mm from the best point (way 0) or line (way 1) through points (n, 3)."""
    sizes = np.linalg.svd(points - points.mean(0), compute_uv=False) / np.sqrt(len(points))
    return float(sizes[way]) if len(sizes) > way else 0.0


def start_of(
    targets: Sequence[Target], clean: CleanScan, features: Features, settings: DatumSettings, middle: Array
) -> tuple[Array, str, str]:
    """A frame to start from, and how front and up are known: up across the primary, x along the car."""
    points = _middles(targets, 0)
    normal = np.linalg.svd(points - points.mean(0))[2][2]
    hints = hints_of(clean, settings, middle)
    along = guide_of(features, clean.floor).along
    if along is None or abs(along @ normal) > 0.7:
        along = np.linalg.eigh(np.cov(clean.thin.T))[1][:, 2]
    along = unit(along - (along @ normal) * normal)
    z, up = up_of(normal, along, hints, clean, features)
    ends = np.quantile((clean.thin - middle) @ along, [0.002, 0.998])
    x, front = front_of(along, hints, _low_faces(features, along, z, middle), (float(ends[0]), float(ends[1])))
    rows = np.stack([x, np.cross(z, x), z])
    frame = rigid(rows, -rows @ middle)
    return _turned(frame, targets), front, up


def _low_faces(features: Features, along: Array, up: Array, middle: Array) -> Array:
    """Places along the car of the middles of the long low level faces; of all found things where there are none."""
    faces = [
        p for p in features.planes if p.extent[0] > 300 and abs(p.axes[0] @ along) > 0.9 and abs(p.normal @ up) > 0.9
    ]
    points = np.array([p.centre for p in faces] or [f.point for f in features.found] or [middle])
    height = points @ up
    return (points[height < height.min() + 50.0] - middle) @ along


def _turned(frame: Array, targets: Sequence[Target]) -> Array:
    """The frame yawed to where the secondary's targets lie, so that the fit starts on the right way round."""
    rows = [t for t in targets if t.level == 1 and len(t.places) == 1]
    if len(rows) < 2:
        return frame
    at = transform(frame, np.array([t.places[0].point for t in rows]))
    line = np.polyfit(at[:, 0], at[:, 1] - [t.value for t in rows], 1)[0] if np.ptp(at[:, 0]) > APART else 0.0
    yaw = float(np.arctan(line))
    turn = [[np.cos(yaw), np.sin(yaw), 0], [-np.sin(yaw), np.cos(yaw), 0], [0, 0, 1]]
    return rigid(turn) @ frame


def lifted(targets: Sequence[Target], residual: Array, frame: Array, noise: NoiseModel) -> tuple[float, float] | None:
    """How far, mm, the fourth of four primary targets lies off the plane of the other three: the twist; and its U
    (k = 2) from the fits and the scanner's drift."""
    rows = [t for t in targets if t.level == 0]
    if len(rows) != 4 or len({t.words for t in rows}) < 4:
        return None
    at = np.array([np.mean(transform(frame, np.array([p.point for p in t.places])), axis=0) for t in rows])
    off = residual[[t.level == 0 for t in targets]]
    plane = np.column_stack([at[:, :2], np.ones(4)])
    share = np.append(-np.linalg.solve(plane[:3].T, plane[3]), 1.0)
    return float(share @ off), float(2 * np.sqrt(share @ joint(rows, frame, noise) @ share))


def contradict(targets: Sequence[Target], made: Posed, far: float, ahead: float) -> None:
    """DataError where a target ends up further than `far` mm from its coordinate; `ahead`: -1 for ISO 4130's signs."""
    worst = int(np.argmax(np.abs(made.residual)))
    if abs(made.residual[worst]) > far:
        t = targets[worst]
        sign = 1.0 if t.axis == 2 else ahead
        raise DataError(
            f"datum: the targets contradict each other: {t.words} reads {'xyz'[t.axis]} = "
            f"{sign * t.read(made.frame):z.1f} mm where {sign * t.value:z.1f} mm is asked; check names and coordinates"
        )
