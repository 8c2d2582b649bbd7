"""What a user may rest a datum on: features by name, picked points of the surface, mid-points, the floor."""

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import unit
from barerail.records import CHASSIS, FLOOR, TWO_FACED, Array, CleanScan, Feature, Features, Frozen

FLOOR_WORD = "floor"
BETWEEN = ".."
MOVED = 5.0
"""How far in mm a named feature may lie from where it was when its name was read: another fit of the same scan."""
AROUND = 15.0
"""Radius in mm of the surface that a picked point is read from."""
FEWEST = 6


@dataclass(frozen=True, eq=False)
class Place(Frozen):
    """A point (3,) in scan axes, mm, with cov (3, 3) of its fit. feature: index in Features.found, -1 for none."""

    words: str
    point: Array
    cov: Array
    feature: int = -1


def face_near(f: Feature, at: Array) -> Array:
    """The point (3,) of a feature; of one seen on both faces of a sheet, that of the face nearer to `at`."""
    if f.kind not in TWO_FACED or len(f.ends) != 2:
        return f.point
    return f.ends[int(np.argmin(np.linalg.norm(f.ends - at, axis=1)))]


def parts_of(place: str) -> tuple[str, ...]:
    """The names of `A..B`, or `place` alone."""
    return tuple(part.strip() for part in place.split(BETWEEN))


def picked(text: str) -> Array | None:
    """The point of a text like `1200,-40,0`, file's coordinates; None for anything else."""
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        return None
    return np.array(numbers) if len(numbers) == 3 and np.all(np.isfinite(numbers)) else None


def is_name(part: str) -> bool:
    return bool(part) and part != FLOOR_WORD and picked(part) is None and not _number(part)


def _number(text: str) -> bool:
    try:
        return bool(np.isfinite(float(text)))
    except ValueError:
        return False


@dataclass(frozen=True, eq=False)
class Finder:
    """Turns what the user wrote into places. named: by name, `kind` and `at_scan_mm`, as the points stage had them, and
    `mm_per_scan_unit`, what the file was read in then: where it is read in another unit or scale, places go along."""

    clean: CleanScan
    features: Features
    named: Mapping[str, Mapping[str, Any]]

    def of(self, part: str) -> Place:
        """The place of a name or of a pick. UsageError for an unknown name; DataError where nothing is there."""
        pick = picked(part)
        return self.at_name(part) if pick is None else self.at_pick(part, pick * self.clean.scan.mm_per_unit)

    def at_name(self, name: str) -> Place:
        if name not in self.named:
            near = get_close_matches(name, self.named, 3, 0.5)
            hint = f"did you mean {', '.join(near)}?" if near else "names stand in points.csv, after barerail points"
            raise UsageError(f"[datum]: no point is named {name}; {hint}")
        entry = self.named[name]
        unit = self.clean.scan.mm_per_unit
        at = np.array(entry["at_scan_mm"], float) * (unit / entry.get("mm_per_scan_unit", unit))
        if entry["kind"] == "rail":
            return self._station(name, at)
        rows = [i for i, f in enumerate(self.features.found) if f.kind == entry["kind"]]
        away = {i: float(np.linalg.norm(face_near(self.features.found[i], at) - at)) for i in rows}
        best = min(away, key=lambda i: away[i], default=-1)
        if best < 0 or away[best] > MOVED:
            raise DataError(f"datum: {name} isn't seen at its place any more; nothing else is taken")
        return self.at_feature(name, best, at)

    def at_feature(self, words: str, index: int, at: Array | None = None) -> Place:
        """The place of a feature; of one seen on both faces of a sheet that on the face nearest to `at` (3,)."""
        f = self.features.found[index]
        if f.kind == "tube-node":
            raise UsageError(f"[datum]: {words} is a tube-node, and many may stand at one place: take another kind")
        if not np.all(np.isfinite(f.cov)):
            raise DataError(f"datum: {words} can't carry a datum, its place isn't known in every direction")
        return Place(words, f.point if at is None else face_near(f, at), f.cov, index)

    def at_pick(self, words: str, at: Array) -> Place:
        """The feature whose circle the pick lies in, else the surface below it."""
        inside = [
            (float(np.linalg.norm(f.point - at)), i)
            for i, f in enumerate(self.features.found)
            if np.linalg.norm(f.point - at) < max(f.diameter / 2, 3.0) and np.all(np.isfinite(f.cov))
        ]
        if inside:
            index = min(inside)[1]
            return self.at_feature(f"{words} (the {self.features.found[index].kind} there)", index)
        return self.surface(words, at)

    def face(self, at: Array) -> int:
        """Index of the flat face that lies at a point (3,), scan axes mm; -1 for none."""
        row = self._nearest(at)
        return next((i for i, p in enumerate(self.features.planes) if row in p.members), -1) if row >= 0 else -1

    def _nearest(self, at: Array) -> int:
        rows = np.flatnonzero(np.isin(self.clean.label, (CHASSIS, FLOOR)))
        away = np.linalg.norm(self.clean.thin[rows] - at, axis=1)
        best = int(np.argmin(away)) if len(rows) else -1
        return int(rows[best]) if best >= 0 and away[best] < max(10.0, 3 * self.clean.voxel_mm) else -1

    def surface(self, words: str, at: Array) -> Place:
        """The pick dropped on the plane of the surface around it. Along the surface it is as good as the spacing."""
        row = self._nearest(at)
        if row < 0:
            raise DataError(f"datum: nothing was scanned at the picked point {words}; pick it in the file's own unit")
        n = self.clean.normals[row]
        away = np.linalg.norm(self.clean.thin - at, axis=1)
        near = (away < max(AROUND, 3 * self.clean.voxel_mm)) & (np.abs(self.clean.normals @ n) > 0.95)
        near &= np.abs((self.clean.thin - self.clean.thin[row]) @ n) < 5.0
        if near.sum() < FEWEST:
            raise DataError(f"datum: too little flat surface around the picked point {words}; pick inside a face")
        return self._flat(words, at, self.clean.thin[near], n)

    def _flat(self, words: str, at: Array, points: Array, n: Array) -> Place:
        middle = points.mean(0)
        normal = np.linalg.eigh(np.cov((points - middle).T))[1][:, 0]
        normal = normal * np.sign(normal @ n)
        off = (points - middle) @ normal
        u = max(float(np.std(off)), self.features.noise.sigma_mm) / np.sqrt(len(points) / 2)
        across = np.outer(normal, normal)
        cov = u**2 * across + self.clean.spacing_mm**2 * (np.eye(3) - across)
        return Place(words, at - ((at - middle) @ normal) * normal, cov)

    def _station(self, name: str, at: Array) -> Place:
        stations = [s for rail in self.features.rails for s in rail.stations]
        if not stations:
            raise DataError(f"datum: the rail {name} isn't seen any more; nothing else is taken")
        s = min(stations, key=lambda s: float(np.linalg.norm(s.centre - at)))
        off = float(np.linalg.norm((s.centre - at) @ s.axes[1:].T))
        if off > MOVED or abs((s.centre - at) @ s.axes[0]) > 200.0:
            raise DataError(f"datum: the rail {name} isn't seen any more at its place; nothing else is taken")
        cov = s.axes[1:].T @ s.cov[:2, :2] @ s.axes[1:] + 1e6 * np.outer(s.axes[0], s.axes[0])
        return Place(name, s.centre, cov)

    def floor(self) -> tuple[Place, ...]:
        """The floor or jig table in the scan, as four places. DataError where none was seen."""
        points = self.clean.thin[self.clean.label == FLOOR]
        if self.clean.floor is None or len(points) < 100:
            raise DataError("datum: no floor or table was seen in the scan, so it can't be the primary plane")
        middle = points.mean(0)
        values, vectors = np.linalg.eigh(np.cov((points - middle).T))
        off = (points - middle) @ vectors[:, 0]
        size = np.sqrt(values[1:])
        patches = max(4.0, float(np.prod(np.sqrt(12) * size)) / 300.0**2)
        u = max(1.4826 * float(np.median(np.abs(off))), self.features.noise.sigma_mm) / np.sqrt(patches)
        return plane_places(FLOOR_WORD, middle, vectors[:, [2, 1, 0]].T, size[::-1], u)

    def whole_face(self, words: str, index: int) -> tuple[Place, ...]:
        """A flat face as four places that hold its offset and both its turns as well as its fit does."""
        p = self.features.planes[index]
        u = float(np.sqrt(p.cov[0, 0]))
        sizes = np.array([u / np.sqrt(p.cov[2, 2]), u / np.sqrt(p.cov[1, 1])])
        return plane_places(words, p.centre, p.axes, sizes, u)


def plane_places(words: str, middle: Array, axes: Array, sizes: Array, u: float) -> tuple[Place, ...]:
    """Four places on a plane through `middle`, `axes` rows u, v, n: their best plane has offset u (1 sd, mm) and turns
    u / sizes (rad), as the whole plane has."""
    n = unit(axes[2])
    cov = 4 * u**2 * np.outer(n, n)
    steps = [np.sqrt(2) * sign * sizes[k] * axes[k] for k in (0, 1) for sign in (1, -1)]
    return tuple(Place(words, middle + step, cov) for step in steps)
