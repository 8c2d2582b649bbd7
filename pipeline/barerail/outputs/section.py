"""Sections: the chassis cut by a plane, as lines in that plane (DXF) and a picture (PNG)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.asked import SectionSettings
from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.contour import simplified
from barerail.geometry.cutting import cut_cloud, cut_mesh, outward
from barerail.geometry.frames import transform, unit
from barerail.geometry.neighbours import rows_of
from barerail.outputs.flat import Path, Sheet, sheet_dxf
from barerail.outputs.header import header_lines
from barerail.outputs.naming import file_stem
from barerail.outputs.section_picture import section_png
from barerail.outputs.words import AXES
from barerail.records import CHASSIS, Array, CleanScan, Datum, MountPoints, Written

FOLDER = "export"
SECTION, GAP = "SECTION", "GAP"
SHORTEST = 5.0
"""Pieces shorter than this many point spacings are left out."""
LEAST_TURN = 0.02
FROM = {"x": "from +x, looking along -x", "y": "from -y, looking along +y", "z": "from +z, looking along -z"}


@dataclass(frozen=True, eq=False)
class Cut:
    """A plane and its own axes. axes (3, 3): rows right, up, towards the viewer, datum axes; words for each."""

    name: str
    origin: Array
    axes: Array
    plane: str
    across: str
    up: str
    seen: str


def section(clean: CleanScan, datum: Datum, points: MountPoints, settings: SectionSettings) -> Written:
    """DXF (closed or open LWPOLYLINEs on SECTION, on GAP those the gap outside) and PNG of the chassis cut by a plane.

    Meshes are cut triangle by triangle, exactly; clouds by their points nearby. UsageError: not just one plane, names
    that aren't there. DataError: the plane misses the scan.
    """
    cut = _plane(datum, points, settings)
    lines = _clean_lines(clean, datum, cut)
    drawn = [Path(SECTION, line) for line in lines]
    if settings.gap_mm:
        away = outward(lines, settings.gap_mm)
        drawn += [Path(GAP, simplified(line, 0.02)) for line in away]
    sheet = Sheet(f"section {cut.name}", tuple(drawn), _words(cut, clean, datum, settings))
    stem = f"{FOLDER}/section-{cut.name}"
    files = {f"{stem}.dxf": sheet_dxf(sheet, whole_paths=True), f"{stem}.png": section_png(sheet, cut.across, cut.up)}
    return Written(files, ())


def _plane(datum: Datum, points: MountPoints, settings: SectionSettings) -> Cut:
    given = {k: v for k in "xyz" if (v := getattr(settings, k)) is not None}
    if len(given) + bool(settings.points) != 1:
        raise UsageError("a section takes one plane: --x, --y or --z with a place in mm, or --points A,B,C")
    if settings.points:
        return _through(points, settings.points)
    ((letter, value),) = given.items()
    right, up, normal = {"x": (1, 2, 0), "y": (0, 2, 1), "z": (0, 1, 2)}[letter]
    axes = np.eye(3)[[right, up, normal]]
    axes[2] = np.cross(axes[0], axes[1])
    words = [f"{axis} ({word})" for axis, word in zip("xyz", AXES[datum.axes])]
    origin = np.eye(3)[normal] * value
    return Cut(f"{letter}{value:+g}", origin, axes, f"{letter} = {value:g} mm", words[right], words[up], FROM[letter])


def _through(points: MountPoints, names: tuple[str, ...]) -> Cut:
    if len(names) != 3:
        raise UsageError(f"--points takes three names for a plane, got {len(names)}")
    known = {p.name: p for p in points.points if np.isfinite(p.position).all()}
    if lost := [n for n in names if n not in known]:
        raise no_point(lost[0], known, "of those that were found ")
    a, b, c = (known[n].position for n in names)
    normal = np.cross(b - a, c - a)
    if np.linalg.norm(normal) <= LEAST_TURN * np.linalg.norm(b - a) * np.linalg.norm(c - a):
        raise DataError(f"{', '.join(names)} lie on one line: three points of a plane must not")
    right, towards = unit(b - a), unit(normal)
    axes = np.array([right, np.cross(towards, right), towards])
    stem = file_stem("-".join(names), "cut at --x, --y or --z, or through points with plainer names")
    plane = f"through {', '.join(names)}"
    first, second, third = names
    return Cut(stem, a, axes, plane, f"from {first} towards {second}", f"the side of {third}", "so that they turn left")


def _clean_lines(clean: CleanScan, datum: Datum, cut: Cut) -> list[Array]:
    """Lines (k, 2) in the plane's axes, short scraps left out, straightened within the noise."""
    lines = _cut(clean, datum, cut)
    if not lines:
        low, high = _reach(clean, datum, cut)
        raise DataError(
            f"the plane {cut.plane} misses the chassis, which lies from {low:+z.0f} to {high:+z.0f} mm of it: move it"
        )
    long = [ln for ln in lines if np.linalg.norm(np.diff(ln, axis=0), axis=1).sum() > SHORTEST * clean.spacing_mm]
    if not long:
        raise DataError(f"the plane {cut.plane} only grazes the chassis: move it")
    return [simplified(line, max(clean.noise_mm, 0.02)) for line in long]


def _cut(clean: CleanScan, datum: Datum, cut: Cut) -> list[Array]:
    scan = clean.scan
    kept = np.flatnonzero(clean.label == CHASSIS)
    to_plane = cut.axes @ datum.car_from_scan[:3, :3]
    offset = cut.axes @ (datum.car_from_scan[:3, 3] - cut.origin)
    if scan.triangles is not None:
        chassis = np.zeros(len(scan.points), bool)
        chassis[rows_of(kept, clean.order, clean.start)] = True
        places = scan.points @ to_plane.T + offset
        lines = cut_mesh(places, _meeting(scan.triangles, places[:, 2], chassis))
        at, normals = clean.thin[kept] @ to_plane.T + offset, clean.normals[kept] @ to_plane.T
        return [line if _outside_right(line, at, normals) else line[::-1] for line in lines]
    near = kept[np.abs(clean.thin[kept] @ to_plane[2] + offset[2]) < 4 * clean.voxel_mm]
    rows = rows_of(near, clean.order, clean.start)
    normals = np.repeat(clean.normals[near], np.diff(clean.start)[near], axis=0) @ to_plane.T
    return cut_cloud(scan.points[rows] @ to_plane.T + offset, normals, clean.spacing_mm)


def _outside_right(line: Array, at: Array, normals: Array) -> bool:
    """Whether the nearest normals say that outside is on the right of a line (k, 2) in the plane z = 0."""
    middle, d = (line[1:] + line[:-1]) / 2, np.diff(line, axis=0)
    near = cKDTree(at).query(np.column_stack([middle, np.zeros(len(middle))]))[1]
    return bool((d[:, 1] * normals[near, 0] - d[:, 0] * normals[near, 1]).sum() >= 0)


def _meeting(triangles: NDArray[np.int32], height: Array, chassis: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Triangles of the chassis that meet the plane."""
    above = height > 0
    a, b, c = triangles.T
    meets = ((above[a] != above[b]) | (above[b] != above[c])) & chassis[a] & chassis[b] & chassis[c]
    return triangles[meets]


def _reach(clean: CleanScan, datum: Datum, cut: Cut) -> tuple[float, float]:
    away = (transform(datum.car_from_scan, clean.thin[clean.label == CHASSIS]) - cut.origin) @ cut.axes[2]
    along = away if cut.axes[2].max() > 0.5 or cut.plane.startswith("through") else -away
    return float(along.min()), float(along.max())


def _words(cut: Cut, clean: CleanScan, datum: Datum, settings: SectionSettings) -> tuple[str, ...]:
    how = "triangles cut exactly" if clean.scan.triangles is not None else "from the points within 1.5 spacings"
    gap = [f"GAP: {settings.gap_mm:g} mm outside the surface as scanned"] if settings.gap_mm else []
    return (
        f"plane: {cut.plane}; drawing right: {cut.across}; drawing up: {cut.up}; seen {cut.seen}; true scale, mm",
        f"{how}, straightened within {max(clean.noise_mm, 0.02):.2f} mm; point spacing {clean.spacing_mm:.1f} mm",
        *gap,
        *header_lines("section", datum),
    )
