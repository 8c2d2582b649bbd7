"""One face of the chassis laid flat: which one is meant, how it is looked at, its outline and what sits in it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree

from barerail.errors import DataError, UsageError
from barerail.geometry.contour import area_of, level_lines, simplified
from barerail.geometry.frames import transform, unit
from barerail.geometry.neighbours import rows_of
from barerail.outputs.tabs import tab_plane
from barerail.outputs.words import expanded
from barerail.records import CHASSIS, Array, CleanScan, Datum, Features, Index, MountPoint, Plane

FLAT_KINDS = ("hole", "slot", "stud")
SEEN_FROM = (
    ((1.0, 0, 0), "ahead of the car, looking rearward"),
    ((-1.0, 0, 0), "behind the car, looking forward"),
    ((0.0, 1, 0), "the car's left, looking right"),
    ((0.0, -1, 0), "the car's right, looking left"),
    ((0.0, 0, 1), "above, looking down"),
    ((0.0, 0, -1), "below, looking up"),
)
LEVEL = 0.9
"""A face whose normal points up or down by more than this share is drawn with forward, not up, at the top."""
OFF_MM = 1.0
TILT = np.cos(np.radians(5.0))
FLATNESS_MM = 1.5
"""A face whose points lie farther than this from its plane, 95 % of them, is no flat face (judgement)."""
SLACK_MM = 0.5
FACES_ALIKE = np.cos(np.radians(35.0))
BRIDGE_MM = 30.0
LEAST_OPENING_MM2 = 60.0
GRID_SIDE = 4000


@dataclass(frozen=True, eq=False)
class Facing:
    """A face seen flat. origin (3,), axes (3, 3): rows right, up, towards the viewer, datum axes.

    seen_from, top: in words. u_edge: how far the outline may be off, mm, about one point spacing.
    """

    origin: Array
    axes: Array
    seen_from: str
    top: str
    flatness: float
    u_edge: float

    def flat(self, points: Array) -> Array:
        """Points (n, 3) of the datum as (n, 3): right, up, off the face towards the viewer, mm."""
        return (points - self.origin) @ self.axes.T


def plane_of(p: MountPoint, features: Features, datum: Datum) -> Plane:
    """The face a point sits in. UsageError for a kind that sits in none, DataError where none was found."""
    if p.kind == "bolt-axis":
        raise UsageError(f"{p.name} has two tabs: name {p.name}-start (the rear, right or lower one) or {p.name}-end")
    if p.kind == "hole" and p.feature >= 0 and features.found[p.feature].kind == "bolt-axis":
        return tab_plane(p, features, datum)
    if p.kind not in (*FLAT_KINDS, "face"):
        raise UsageError(f"{p.name} is a {p.kind}: a template is of one flat face; name holes, slots, studs or a face")
    index = features.found[p.feature].plane if p.feature >= 0 else -1
    if index < 0:
        raise DataError(f"{p.name} sits in no flat face that was found: nothing to draw a template of")
    return features.planes[index]


def facing(plane: Plane, about: MountPoint, clean: CleanScan, datum: Datum) -> tuple[Facing, Array]:
    """The face laid flat, and its full-resolution points (n, 2) there. DataError where it isn't flat."""
    m = datum.car_from_scan
    normal = unit(m[:3, :3] @ plane.normal)
    wanted = (1.0, 0, 0) if abs(normal[2]) > LEVEL else (0.0, 0, 1)
    forward = np.array(wanted) if datum.axes == "iso8855" or wanted[0] == 0 else np.array([-1.0, 0, 0])
    up = unit(forward - (forward @ normal) * normal)
    axes = np.array([np.cross(up, normal), up, normal])
    near, members = _around(plane, clean)
    points = (transform(m, clean.scan.points[near]) - transform(m, plane.centre)) @ axes.T
    flatness = float(np.quantile(np.abs(points[members, 2]), 0.95))
    if flatness > FLATNESS_MM:
        raise DataError(f"the face of {about.name} isn't flat: 5 % of it lies over {flatness:.1f} mm off its plane")
    sight = _iso8855(normal, datum)
    words = max(SEEN_FROM, key=lambda s: float(np.dot(s[0], sight)))[1]
    top = "forward" if wanted[0] else "up"
    face = Facing(transform(m, plane.centre), axes, words, top, flatness, clean.spacing_mm)
    return face, points[np.abs(points[:, 2]) < max(SLACK_MM, 4 * flatness), :2]


def _around(plane: Plane, clean: CleanScan) -> tuple[Index, NDArray[np.bool_]]:
    """Full-resolution rows of the face and two cells around it that face alike, and which are the face's own.

    Where the face was found its rim may have been left out, for its normals are disturbed there.
    """
    own = np.asarray(plane.members)
    chassis = np.flatnonzero(clean.label == CHASSIS)
    alike = chassis[clean.normals[chassis] @ plane.normal > FACES_ALIKE]
    off = cKDTree(clean.thin[own]).query(clean.thin[alike], distance_upper_bound=2 * clean.voxel_mm)[0]
    cells = np.union1d(own, alike[np.isfinite(off)])
    member = np.repeat(np.isin(cells, own), np.diff(clean.start)[cells])
    return rows_of(cells, clean.order, clean.start), member


def _iso8855(v: Array, datum: Datum) -> Array:
    return v if datum.axes == "iso8855" else v * (-1.0, -1.0, 1.0)


def in_plane(p: MountPoint, face: Facing) -> Array:
    """Where a point lies on the drawing (2,). DataError where it is off the plane or across it."""
    at, why = _placed(p, face)
    if why:
        raise DataError(f"not one flat face: {p.name} {why}")
    return at


def lies_in(p: MountPoint, face: Facing) -> bool:
    """Whether a point sits in the plane of the face."""
    return p.kind in FLAT_KINDS and bool(np.isfinite(p.position).all()) and not _placed(p, face)[1]


def _placed(p: MountPoint, face: Facing) -> tuple[Array, str]:
    """Place (2,) on the drawing, and why it isn't in the face; empty where it is."""
    centres = face.flat(np.vstack([p.position, *(p.ends if p.kind == "hole" else ())]))
    at = centres[np.argmin(np.abs(centres[:, 2]))]
    allowed = OFF_MM + float(expanded(face.axes @ p.cov_local @ face.axes.T)[2])
    if abs(at[2]) > allowed:
        return at[:2], f"lies {abs(at[2]):.1f} mm off the plane"
    if np.any(p.axis) and abs(p.axis @ face.axes[2]) < TILT:
        lean = np.degrees(np.arccos(min(1.0, abs(p.axis @ face.axes[2]))))
        return at[:2], f"leans {lean:.0f} degrees from the plane's normal"
    return at[:2], ""


@dataclass(frozen=True, eq=False)
class Outline:
    """Closed lines (k, 2), the first point again at the end: the edge counter-clockwise, openings clockwise.

    bridged: the widest gap of the scan that was closed, mm.
    """

    edge: Array
    openings: tuple[Array, ...]
    bridged: float


def outline(points: Array, spacing: float, holes: Array, window: Array | None = None) -> Outline:
    """Outline of face points (n, 2), mm, as one piece that holds all `holes` (h, 2).

    The points' cells closed by discs (Serra 1982) of two spacings, or as many more as make it one piece, up to 30 mm.
    window (2, 2): low and high corner that it may not pass. DataError where it falls apart.
    """
    if window is not None:
        points = points[((points > window[0] - 2 * BRIDGE_MM) & (points < window[1] + 2 * BRIDGE_MM)).all(1)]
    if len(points) < 20:
        raise DataError("the face has too few points there for an outline")
    reach = 2.0 * spacing
    while True:
        lines = _closed_by(points, spacing, reach, window)
        edges = [line for line in lines if area_of(line) > 0]
        whole = [e for e in edges if inside(holes, e).all()]
        if whole:
            edge = max(whole, key=area_of)
            inner = [ln for ln in lines if area_of(ln) < -LEAST_OPENING_MM2 and inside(ln[:1], edge).all()]
            return Outline(edge, tuple(inner), 2 * reach)
        reach *= 1.5
        if 2 * reach > BRIDGE_MM:
            raise DataError("the face falls apart in the scan: gaps wider than 30 mm part its holes; scan it again")


def _closed_by(points: Array, spacing: float, reach: float, window: Array | None) -> list[Array]:
    cell = max(spacing / 2, float(np.ptp(points, axis=0).max()) / GRID_SIDE)
    pad = int(np.ceil(reach / cell)) + 3
    origin = points.min(axis=0) - pad * cell
    index = np.rint((points - origin) / cell).astype(int)
    empty = np.ones(index.max(axis=0) + pad + 1, bool)
    empty[index[:, 0], index[:, 1]] = False
    grown = distance_transform_edt(empty) * cell <= reach
    inside = distance_transform_edt(grown) * cell - reach - cell / 2
    field = np.clip(inside, -2 * cell, 2 * cell)
    if window is not None:
        field = np.minimum(field, _window_field(field.shape, origin, cell, window))
    lines = [line for line in level_lines(field, 0.0, origin, cell) if np.array_equal(line[0], line[-1])]
    return [simplified(line, 0.75 * spacing) for line in lines if len(line) > 4]


def _window_field(shape: tuple[int, ...], origin: Array, cell: float, window: Array) -> Array:
    """Distance inside the window's border, mm, at each grid point; negative outside."""
    x, y = (origin[k] + cell * np.arange(shape[k]) for k in range(2))
    across, down = (np.minimum(v - window[0, k], window[1, k] - v) for k, v in enumerate((x, y)))
    return np.minimum(across[:, None], down[None, :])


def inside(points: Array, line: Array) -> Array:
    """Whether points (n, 2) lie inside a closed line: crossings of a ray to the right are odd."""
    x, y = points[:, 0, None], points[:, 1, None]
    (x0, y0), (x1, y1) = line[:-1].T, line[1:].T
    crosses = (y0 > y) != (y1 > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = x0 + (y - y0) / (y1 - y0) * (x1 - x0)
    return np.asarray((crosses & (x < at)).sum(axis=1) % 2 == 1)
