"""[datum] reference: the undamaged section of the car that alone carries the datum."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import transform
from barerail.records import CHASSIS, CLUTTER, Array, CleanScan, Feature, Features, Index, Plane, Rail

from .places import Finder, is_name, parts_of

SHORTEST = 300.0
"""Least length in mm of a section that may carry a datum (judgement)."""


@dataclass(frozen=True)
class Section:
    """From low to high x of the car, mm."""

    low: float
    high: float

    def words(self, ahead: float) -> str:
        """`x = ... to ... mm`; `ahead`: 1 where x is counted forward, -1 rearward."""
        low, high = sorted((ahead * self.low + 0.0, ahead * self.high + 0.0))
        return f"x = {low:z.0f} to {high:z.0f} mm"

    def holds(self, frame: Array, points: Array) -> NDArray[np.bool_]:
        x = transform(frame, points)[..., 0]
        return (x >= self.low) & (x <= self.high)


def section_of(reference: str, frame: Array, clean: CleanScan, finder: Finder) -> Section | None:
    """The section that a setting names in a datum made of the whole scan, x forward; None for the whole.

    UsageError for what names none; DataError where it is too short.
    """
    if not reference:
        return None
    x = transform(frame, clean.thin[clean.label == CHASSIS])[:, 0]
    low, high = (float(v) for v in np.quantile(x, [0.0, 1.0]))
    if reference in ("rear", "front"):
        middle = (low + high) / 2
        return Section(low, middle) if reference == "rear" else Section(middle, high)
    parts = parts_of(reference)
    if len(parts) != 2 or not all(parts):
        raise UsageError(f"[datum] reference = {reference!r}: rear, front or A..B, each a name or an x in mm")
    ends = sorted(_x(part, frame, finder) for part in parts)
    if ends[1] - ends[0] < SHORTEST:
        raise DataError(
            f"datum: the reference section {reference} is {ends[1] - ends[0]:.0f} mm long, {SHORTEST:.0f} mm are needed"
        )
    return Section(*ends)


def _x(part: str, frame: Array, finder: Finder) -> float:
    if not is_name(part) and "," not in part:
        return float(part)
    return float(transform(frame, finder.of(part).point)[0])


def limited(clean: CleanScan, features: Features, frame: Array, section: Section) -> tuple[CleanScan, Features]:
    """The scan and what was found in it, the section alone. Features keep their place in the list; outside ones have
    no finite covariance, so nothing rests on them."""
    label = np.where((clean.label == CHASSIS) & ~section.holds(frame, clean.thin), CLUTTER, clean.label)

    def inside(point: Array) -> bool:
        return bool(section.holds(frame, point))

    found = tuple(f if inside(f.point) else _out(f) for f in features.found)
    rails = tuple(_rail(r, inside) for r in features.rails)
    planes = tuple(q for p in features.planes if (q := _clipped(p, clean, frame, section)) is not None)
    kept = replace(features, found=found, planes=planes, rails=tuple(r for r in rails if len(r.stations) > 1))
    return replace(clean, label=label.astype(np.uint8)), kept


def _out(f: Feature) -> Feature:
    return replace(f, cov=np.full((3, 3), np.nan))


def _rail(rail: Rail, inside: Callable[[Array], bool]) -> Rail:
    return replace(rail, stations=tuple(s for s in rail.stations if inside(s.centre)))


def _clipped(p: Plane, clean: CleanScan, frame: Array, section: Section) -> Plane | None:
    """The part of a face in the section: refitted on its thinned points; the whole where it lies inside."""
    u = p.axes[0] * p.extent[0] / 2
    x = transform(frame, np.array([p.centre - u, p.centre + u]))[:, 0]
    if section.low <= x.min() and x.max() <= section.high:
        return p
    members = p.members[section.holds(frame, clean.thin[p.members])]
    if len(members) < 30:
        return None
    return _refitted(p, clean.thin[members], members)


def _refitted(p: Plane, points: Array, members: Index) -> Plane:
    middle = points.mean(0)
    _, vectors = np.linalg.eigh(np.cov((points - middle).T))
    n = vectors[:, 0] * np.sign(vectors[:, 0] @ p.normal)
    u = p.axes[0] - (p.axes[0] @ n) * n
    u /= np.linalg.norm(u)
    axes = np.stack([u, np.cross(n, u), n])
    size = np.ptp((points - middle) @ axes.T, axis=0)
    share = min(1.0, float(size[0]) / p.extent[0])
    cov = p.cov / share
    cov[2, 2] = p.cov[2, 2] / share**3
    return replace(
        p,
        centre=middle,
        axes=axes,
        cov=cov,
        extent=(float(size[0]), float(size[1])),
        members=members,
        n=int(p.n * share),
    )
