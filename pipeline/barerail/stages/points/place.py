"""Features and rails in car axes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.frames import direction, transform
from barerail.geometry.matching import Links, links, tree
from barerail.geometry.tube_pair import frame_rails
from barerail.records import KINDS, TWO_FACED, Array, Datum, Feature, Features, Index, Rail
from barerail.stages.points.stations import Section, sections

LINES = ("tube", "rail")
SIDELESS = ("bolt-axis", "sleeve", *LINES)
BUILT_ON_HOLES = ("bolt-axis", "sleeve")
EVEN = 0.98
UNSEEN_MM = 1000.0
TAKEN = "; this round tube is taken for a rail of the frame: look that it is none of a cage"


@dataclass(frozen=True, eq=False)
class Placed:
    """Features in car axes, a row each (n).

    found (n,): index in Features.found, -1 for a rail. kind (n,): index in KINDS. other (n, 3): centre of a hole's
    or sheet's second face, nan where one face was seen. half (n,): from a tube's or rail's point to its farther
    end, 0 for the rest.
    """

    source: tuple[Feature, ...]
    found: Index
    kind: Index
    point: Array
    axis: Array
    other: Array
    half: Array

    def of_kind(self, *kinds: str) -> NDArray[np.bool_]:
        """True (n,) for rows of these kinds."""
        return np.isin(self.kind, [KINDS.index(k) for k in kinds])


def place(features: Features, datum: Datum) -> Placed:
    """Features.found, less the holes that brackets and sleeves are built from, and a row a rail, in car axes.

    Of long round tubes the two that are the frame's rails alone have a row as such beside that of a tube.
    Axes without a side of their own have their largest component positive. Where both faces of a hole were seen, the
    one whose normal has the largest positive component in (forward, left, up) leads.
    """
    m = datum.car_from_scan
    rows = _standing_alone(features)
    seen = frame_rails(features.rails, m)
    rails = [_as_feature(rail, m[2, :3], at) for rail, at in zip(seen, sections(seen, m))]
    source = (*(features.found[i] for i in rows), *rails)
    found = np.array([*rows, *[-1] * len(rails)], np.int64)
    kind = np.array([KINDS.index(f.kind) for f in source], np.int64)
    half = np.array([_reach(f) for f in source])
    point, axis = transform(m, stack([f.point for f in source], 3)), direction(m, stack([f.axis for f in source], 3))
    placed = Placed(source, found, kind, point, axis, np.full_like(point, np.nan), half)
    free = placed.of_kind(*SIDELESS)
    axis[free] = positive(axis[free])
    for i in np.flatnonzero(placed.of_kind(*TWO_FACED)):
        if len(source[i].ends) == 2:
            axis[i] = positive(axis[i : i + 1])[0]
            faces = transform(m, source[i].ends)
            placed.other[i], point[i] = faces[np.argsort(faces @ axis[i], kind="stable")]
    return placed


def positive(axis: Array) -> Array:
    """Unit vectors (n, 3) turned so that the largest component is positive.

    Of components within 2 % of each other the first in (forward, left, up) decides: noise must not, at 45 degrees.
    """
    first = leading(axis)
    return axis * np.where(axis[np.arange(len(axis)), first] < 0, -1.0, 1.0)[:, None]


def leading(axis: Array) -> Index:
    """Which component (n,) of vectors (n, 3) is the largest; of those within 2 % of it the first."""
    size = np.abs(axis)
    return np.argmax(size >= EVEN * size.max(axis=1, keepdims=True), axis=1)


def nearby(a: Array, a_kind: Index, b: Array, b_kind: Index, reach: float, half: float) -> Links:
    """Links between places a (n, 3) and b (m, 3) of one kind at most `reach` mm apart; for lines `half` more."""
    parts = []
    for lines in (False, True):
        one, two = (np.flatnonzero(np.isin(k, [KINDS.index(x) for x in LINES]) == lines) for k in (a_kind, b_kind))
        found = links(tree(a[one], a_kind[one]), tree(b[two], b_kind[two]), reach + half * lines)
        parts.append((one[found.a], two[found.b]))
    return Links(*(np.concatenate(ends) for ends in zip(*parts, strict=True)))


def separation(diff: Array, axis: Array, half: Array) -> Array:
    """Length (k,) of diff (k, 3); along `axis` only what goes beyond `half`, a line's half length (others: 0)."""
    along = np.abs(np.einsum("ij,ij->i", diff, axis))
    across = np.sqrt(np.maximum(np.einsum("ij,ij->i", diff, diff) - along**2, 0.0))
    return np.hypot(across, np.maximum(along - half, 0.0))


def stack(values: Sequence[Array], *shape: int) -> Array:
    """Equal arrays as one (n, *shape), also for none."""
    return np.array(values, float).reshape(-1, *shape)


def _standing_alone(features: Features) -> list[int]:
    """Indices of the features that aren't a rim of a bracket or sleeve: those are one row, the bracket's."""
    built = {i for f in features.found if f.kind in BUILT_ON_HOLES for i in f.members}
    return [i for i, f in enumerate(features.found) if not (f.kind == "hole" and i in built)]


def _reach(f: Feature) -> float:
    """From a tube's or rail's point to its farther end, mm; 0 for other kinds, and where it isn't known."""
    if f.kind == "rail":
        return float(np.linalg.norm(f.ends - f.point, axis=1).max())
    return f.length / 2 if f.kind == "tube" and np.isfinite(f.length) else 0.0


def _as_feature(rail: Rail, up: Array, at: Section) -> Feature:
    """The rail at one section, in scan axes; diameter and length: width and height (`up`: car z).

    Where along the rail that section lies is a choice, so its standard uncertainty there is that of any place on the
    seen length, length / sqrt 12 (rectangular, JCGM 100:2008, 4.3.7).
    """
    centres = np.array([s.centre for s in rail.stations])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(centres, axis=0), axis=1))])
    s, heading = rail.stations[at.station], _heading(rail, at.station)
    along = np.outer(s.axes[0], s.axes[0]) * (run[-1] or UNSEEN_MM) ** 2 / 12
    order = [0, 1] if abs(s.axes[2] @ up) >= abs(s.axes[1] @ up) else [1, 0]
    width, height = np.array(s.size)[order]
    u_width, u_height = np.sqrt(np.diag(s.cov)[3:])[order]
    return Feature(
        kind="rail",
        point=s.centre + at.slide * s.axes[0],
        axis=s.axes[0],
        diameter=float(width),
        length=float(height),
        cov=s.axes[1:].T @ s.cov[:2, :2] @ s.axes[1:] + along + at.slide**2 * heading,
        cov_axis=heading,
        u_diameter=float(u_width),
        u_length=float(u_height),
        arc_deg=float("nan"),
        n=s.n,
        rms=s.rms,
        ends=centres[[0, -1]],
        detail={"stations": float(len(centres)), "seen_length_mm": float(run[-1])},
        note=f"{rail.section} section nearest the middle of {at.of}{TAKEN if rail.section == 'tube' else ''}",
    )


def _heading(rail: Rail, middle: int) -> Array:
    """Covariance (3, 3) rad2 of the direction at a station: both neighbours' centres over their distance."""
    a, b = rail.stations[max(middle - 1, 0)], rail.stations[min(middle + 1, len(rail.stations) - 1)]
    distance = float(np.linalg.norm(b.centre - a.centre))
    across = [s.axes[1:].T @ s.cov[:2, :2] @ s.axes[1:] for s in (a, b)]
    return (across[0] + across[1]) / distance**2 if distance > 0 else np.eye(3)
