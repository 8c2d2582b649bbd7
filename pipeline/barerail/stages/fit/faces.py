"""Mounting faces: bounded flats that carry a hole, a slot or a stud, as on shelves, plates and single tabs."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, binary_erosion, binary_fill_holes
from scipy.spatial import cKDTree

from barerail.records import Array, Feature, Index, Note, Plane, Rail
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused import MESH_SHEET_EDGE
from barerail.stages.fit.tilts import tilt_of

LEAST_CM2, MOST_CM2, LONGEST_MM = 6.0, 400.0, 300.0
"""What counts as a mounting face, not a washer's seat or a side of the frame (judgement)."""
BEYOND_MM = 120.0
"""How far beyond a rail's last station its sides may still go on: stations end before the rail does (judgement)."""
TURNED = 0.9
"""Cosine to the face's normal under which a point is of its wall, or of what it is welded to, not of its back."""
DEEP = 3.0
"""How far above or below the face its wall is looked for, cells."""
OPEN = 0.4
"""Length of border whose wall wasn't seen, as a share of the face's width, from which its middle isn't known
(judgement)."""
BACK, SHEET_MM = 0.95, 12.0
"""Cosine from which two faces are those of one sheet, and how thick that may be (judgement)."""
EDGE = 6**-0.5
"""Standard uncertainty of a face's middle, cells: each of two edges is known to a cell either way (rectangular, JCGM
100:2008, 4.3.7), and the middle is half-way."""
CARRIED = ("hole", "slot", "stud")


def mounting_faces(
    cloud: Cloud, planes: Sequence[Plane], found: Sequence[Feature], rails: Sequence[Rail]
) -> tuple[list[Feature], tuple[Note, ...]]:
    """A `face` for each bounded flat that carries something and is no side of a rail: its centroid, holes included;
    both faces of a sheet are one.

    Its own centroid is uncertain by the border: EDGE, and what of the border wasn't seen; a mesh's stands proud.
    """
    built = {i for f in found for i in f.members}
    holders = [f for i, f in enumerate(found) if f.kind in CARRIED and f.plane >= 0 and i not in built]
    fair = [k for k, p in enumerate(planes) if _sized(p) and not any(_on_rail(p, r) for r in rails)]
    made: dict[int, Feature | None] = {}
    sheets: list[list[int]] = []
    for k in sorted({f.plane for f in holders}.intersection(fair)):
        if k not in made:
            sheets.append([k, *_behind(planes[k], [j for j in fair if j not in made], planes)])
            made |= {j: _face(cloud, planes[j], j) for j in sheets[-1]}
    out = [f for sheet in sheets if (f := _one([made[k] for k in sheet])) is not None]
    told = Note("fit", "flats that carry a hole left out as mounting faces: border not seen", len(sheets) - len(out))
    return out, (told,) if told.count else ()


def _behind(front: Plane, others: Sequence[int], planes: Sequence[Plane]) -> list[int]:
    """The other face of a sheet: of those that look the other way close behind, the nearest."""
    deep: dict[int, float] = {}
    for k in others:
        x, y, height = front.axes @ (planes[k].centre - front.centre)
        off = float(np.hypot(x, y))
        behind = planes[k].normal @ front.normal < -BACK and -SHEET_MM < height < 0
        if behind and off < min(*front.extent, *planes[k].extent) / 2:
            deep[k] = -float(height)
    return [min(deep, key=lambda k: deep[k])] if deep else []


def _one(faces: Sequence[Feature | None]) -> Feature | None:
    """One feature of a sheet's face or faces; of two both middles are its ends, and its U the larger one."""
    sound = [f for f in faces if f is not None]
    if len(sound) < 2:
        return sound[0] if sound else None
    return replace(sound[0], cov=max((f.cov for f in sound), key=np.trace), ends=np.array([f.point for f in sound]))


def _sized(plane: Plane) -> bool:
    return LEAST_CM2 <= plane.area_mm2 / 100 <= MOST_CM2 and max(plane.extent) <= LONGEST_MM


def _on_rail(plane: Plane, rail: Rail) -> bool:
    """Whether a flat is a piece of a rail's side: its middle on one of four sides of the section next to it."""
    near = min(rail.stations, key=lambda s: float(np.linalg.norm(s.centre - plane.centre)))
    along, *across = near.axes @ (plane.centre - near.centre)
    half = np.array(near.size) / 2
    square = np.abs(near.axes[1:] @ plane.normal) > 0.98
    beside = np.abs(np.abs(across) - half) < 3.0
    within = (np.abs(across) < half + 3.0) | ~np.isfinite(half)
    return bool(abs(along) < BEYOND_MM and (square & (beside | ~np.isfinite(half))).any() and within.all())


def _face(cloud: Cloud, plane: Plane, k: int) -> Feature | None:
    """The face with its centroid; None where too much of its border is open."""
    cell = cloud.clean.voxel_mm
    local = (cloud.clean.thin[plane.members] - plane.centre) @ plane.axes.T
    cells, low = _cells(local[:, :2], cell)
    edge = np.argwhere(cells & ~binary_erosion(cells))
    bare = _bare(cloud, plane, (edge + 0.5) * cell + low, cell)
    if bare * len(edge) * cell > OPEN * min(plane.extent):
        return None
    middle = (np.argwhere(cells) + 0.5).mean(axis=0) * cell + low
    *_, proud, ends = MESH_SHEET_EDGE * cloud.voxel_mm
    aside = np.hypot(np.hypot(cell * EDGE, bare * max(plane.extent) / 4), proud)
    lever = np.array([1.0, middle[1], -middle[0]])
    out = np.outer(plane.normal, plane.normal)
    return Feature(
        kind="face",
        point=plane.centre + middle @ plane.axes[:2],
        axis=plane.normal,
        diameter=float("nan"),
        length=float("nan"),
        cov=aside**2 * (np.eye(3) - out) + (lever @ plane.cov @ lever + proud**2) * out,
        cov_axis=tilt_of(plane, ends),
        u_diameter=float("nan"),
        u_length=float("nan"),
        arc_deg=float("nan"),
        n=plane.n,
        rms=plane.rms,
        plane=k,
        detail={"area_cm2": cells.sum() * cell**2 / 100, "border_unseen": bare},
    )


def _cells(flat: Array, cell: float) -> tuple[NDArray[np.bool_], Array]:
    """Which cells of a raster points flat (n, 2) cover, holes and what chance left empty filled, and its corner."""
    low = flat.min(axis=0) - 2 * cell
    at = np.floor((flat - low) / cell).astype(int)
    cells = np.zeros(at.max(axis=0) + 3, bool)
    cells[tuple(at.T)] = True
    return binary_fill_holes(binary_closing(cells, np.ones((3, 3), bool))), low


def _bare(cloud: Cloud, plane: Plane, border: Array, cell: float) -> float:
    """Share of border places (k, 2) near which the scan doesn't turn on to a wall."""
    near: Index = np.asarray(
        cloud.tree.query_ball_point(plane.centre, max(plane.extent) + 4 * cell, return_sorted=True), np.int64
    )
    local = (cloud.surface.points[near] - plane.centre) @ plane.axes.T
    turned = np.abs(cloud.surface.normals[near] @ plane.normal) < TURNED
    wall = local[turned & (np.abs(local[:, 2]) < DEEP * cell), :2]
    return float((np.asarray(cKDTree(wall).query(border)[0]) > 2 * cell).mean()) if len(wall) else 1.0
