"""Clean: from a raw scan to a thinned one with normals, its spacing and noise, and labels for what is no chassis.

Nothing is deleted: specks, floor and stands are labelled, and every cell keeps its full-resolution points.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.neighbours import (
    Cells,
    by_place,
    cell_keys,
    convexity,
    cosines,
    flatness,
    in_own_axes,
    into_cells,
    nearest,
    normals_of,
    rows_of,
)
from barerail.libraries import open3d_soon
from barerail.records import (
    Array,
    CleanScan,
    Index,
    Note,
    Progress,
    Scan,
    Source,
    no_progress,
)
from barerail.settings import CleanSettings
from barerail.stages.clean.labels import labels_of
from barerail.stages.clean.roughness import noise_of
from barerail.stages.clean.sides import against_sky, sided
from barerail.stages.clean.spacing import PROBES, spacing_of

FEW, NEIGHBOURS = 14, 24
"""Neighbours looked up for each thinned point, and where the noise needs more for a normal."""
FINE, FINEST = 1.25, 2.5
"""Edge of the cells in which normals are made, in point spacings, and at least in mm."""
LACKING, MIXED = 0.02, 0.1
"""Most of the points that may lack a normal, and of the probes whose normal may point away from the open sky, as
shares: of true normals one in a thousand does."""
MADE = "which way faces look was found from its points"
NORMAL_NOISE = np.radians(1.0)


def clean(scan: Scan, settings: CleanSettings, progress: Progress = no_progress) -> CleanScan:
    """Thin, estimate normals, spacing and noise, and label the scan; see CleanScan."""
    points = np.asarray(scan.points)
    loading = open3d_soon()
    cells, voxel, spacing = _thin(points, scan, settings)
    twice = len(points) - len(cells.order)
    progress(0.3)
    near, _ = nearest(cells.mean, FEW, 6 * voxel)
    loading.join()
    given = _mean_normals(scan, cells)
    said = _refused(scan, cells, given, near, voxel)
    own = not said
    if not own:
        scan = replace(scan, normals=_made(points, twice, max(FINEST, FINE * spacing)))
        cells, voxel, spacing = _thin(points, scan, settings)
        near, _ = nearest(cells.mean, FEW, 6 * voxel)
        given = _mean_normals(scan, cells)
    near = _same_side(near, given)
    noise = noise_of(points, cells, near)
    progress(0.6)
    around, used = near, _neighbours(noise, spacing)
    if used > FEW - 4:
        around = _same_side(nearest(cells.mean, NEIGHBOURS, 6 * voxel)[0], given)
    around = _first(around, used)
    normals = normals_of(cells.mean, around)
    normals = normals * np.where(np.einsum("mi,mi->m", given, normals) < 0, -1.0, 1.0)[:, None]
    if own and convexity(cells.mean, normals) > 0:
        normals, said = -normals, (Note("clean", "the scan's normals point into the metal: turned", warning=True),)
    progress(0.9)
    label, floor, left = labels_of(cells.mean, normals, voxel, settings)
    sources = _measured(scan, spacing, noise, settings)
    return CleanScan(
        scan=replace(scan, sources=sources),
        thin=cells.mean,
        normals=normals,
        own_normals=own,
        flat=flatness(normals, around),
        label=label,
        near=near.astype(np.int32),
        order=cells.order,
        start=cells.start,
        voxel_mm=voxel,
        spacing_mm=spacing,
        noise_mm=noise,
        floor=floor,
        notes=(*said, *left, *_copies(twice)),
    )


def _thin(points: Array, scan: Scan, settings: CleanSettings) -> tuple[Cells, float, float]:
    voxel = settings.voxel_mm or 3.0
    laid = _laid(scan, np.arange(len(points)))
    cells = _cells(points, laid, voxel)
    if _some_twice(points, cells):
        laid = _laid(scan, np.sort(np.unique(np.ascontiguousarray(points), axis=0, return_index=True)[1]))
        cells = _cells(points, laid, voxel)
    spacing = spacing_of(points, scan.normals, cells, voxel)
    if not settings.voxel_mm and 1.75 * spacing > voxel:
        voxel = round(1.75 * spacing, 2)
        cells = _cells(points, laid, voxel)
    return cells, voxel, spacing


def _made(points: Array, twice: int, voxel: float) -> NDArray[np.float32]:
    """Normals (n, 3) of points (n, 3), those that are there twice counted once."""
    if not twice:
        return sided(points, voxel)
    once, back = np.unique(np.ascontiguousarray(points), axis=0, return_inverse=True)
    return sided(once, voxel)[back.ravel()]


def _measured(scan: Scan, spacing: float, noise: float, settings: CleanSettings) -> tuple[Source, ...]:
    """The sources, each with its own spacing and noise; those of the whole where there is one alone."""
    if len(scan.sources) == 1:
        return (replace(scan.sources[0], spacing_mm=spacing, noise_mm=noise),)
    out = []
    for source in scan.sources:
        rows = slice(*source.rows)
        alone = replace(scan, points=scan.points[rows], normals=np.asarray(scan.normals)[rows])
        cells, voxel, own = _thin(alone.points, alone, settings)
        near, _ = nearest(cells.mean, FEW, 6 * voxel)
        near = _same_side(near, _mean_normals(alone, cells))
        out.append(replace(source, spacing_mm=own, noise_mm=noise_of(alone.points, cells, near)))
    return tuple(out)


def _copies(count: int) -> tuple[Note, ...]:
    return (Note("clean", "points that are there twice, counted once", count),) if count else ()


def _some_twice(points: Array, cells: Cells) -> bool:
    """Whether a look at some cells finds points that are there twice."""
    probe = np.linspace(0, len(cells.mean) - 1, min(PROBES, len(cells.mean))).astype(np.int64)
    some = points[rows_of(probe, cells.order, cells.start)]
    return len(np.unique(some, axis=0)) < 0.999 * len(some)


Laid = tuple[Index, Array, NDArray[np.floating] | None]
"""Rows of points in an order of their places, and where these lie and face for being sorted into cells."""


def _laid(scan: Scan, rows: Index) -> Laid:
    """The points of these rows in an order of their places: the file's own order changes nothing.

    Those of a cloud in their own axes, so that neither does where they lie. Vertices of a mesh stand in a grid of the
    scan's axes.
    """
    rows = rows[by_place(scan.points[rows])]
    at, facing = _taken(scan.points, scan.normals, rows)
    if scan.triangles is None:
        at, facing = in_own_axes(at, facing)
        again = by_place(at)
        rows, (at, facing) = rows[again], _taken(at, facing, again)
    return rows, at, facing


def _taken(
    points: Array, normals: NDArray[np.floating] | None, rows: Index
) -> tuple[Array, NDArray[np.floating] | None]:
    """Points and normals (k, 3) of these rows; take is three times as fast as an index."""
    return points.take(rows, axis=0), None if normals is None else normals.take(rows, axis=0)


def _cells(points: Array, laid: Laid, voxel: float) -> Cells:
    """The points in cells, those of a cell in the order they are laid in."""
    rows, at, facing = laid
    cells = into_cells(points.take(rows, axis=0), cell_keys(at, voxel, facing))
    return Cells(cells.mean, rows[cells.order], cells.start)


def _mean_normals(scan: Scan, cells: Cells) -> Array:
    """Mean (m, 3) of the scan's own normals in each cell; zeros where it has none."""
    if scan.normals is None:
        return np.zeros_like(cells.mean)
    given = np.add.reduceat(np.asarray(scan.normals).take(cells.order, axis=0).astype(float), cells.start[:-1], axis=0)
    return np.asarray(given / np.maximum(np.linalg.norm(given, axis=1), 1e-12)[:, None])


def _refused(scan: Scan, cells: Cells, given: Array, near: Index, voxel: float) -> tuple[Note, ...]:
    """Why the scan's own normals can't serve: there are none or too few, neighbours in one face disagree, or patches
    of them are turned over."""
    if scan.normals is None:
        return (Note("clean", f"the scan has no normals: {MADE}"),)
    lacking = float((np.abs(scan.normals).max(axis=1) < 0.5).mean())
    if lacking > LACKING:
        return (Note("clean", f"{100 * lacking:.0f} % of the points have no normal: {MADE}", warning=True),)
    probe = slice(None, None, max(1, len(given) // 50_000))
    few, own = near[probe, :8], given[probe]
    step = cells.mean[few] - cells.mean[probe, None]
    level = np.abs(np.einsum("mi,mki->mk", own, step)) < 0.3 * np.linalg.norm(step, axis=2)
    cosine = np.einsum("mi,mki->mk", own, given[few])
    parallel = (np.abs(cosine) > 0.8) & (few >= 0) & level
    agree = float((cosine[parallel] > 0).mean()) if parallel.any() else 1.0
    if agree < 0.75:
        text = f"the scan's normals disagree with each other ({100 * (1 - agree):.0f} % of neighbours): {MADE}"
        return (Note("clean", text, warning=True),)
    inward = against_sky(cells.mean, given, voxel)
    if MIXED < inward < 1 - MIXED:
        text = f"the scan's normals point into the metal in places ({100 * inward:.0f} % of probes): {MADE}"
        return (Note("clean", text, warning=True),)
    return ()


def _same_side(near: Index, given: Array) -> Index:
    """Neighbours on the other face of a sheet or round a sharp corner, by given normals, taken out (-1)."""
    return np.where(cosines(given, near) > 0.3, near, -1)


def _first(near: Index, k: int) -> Index:
    """The k nearest that are left of each row, -1 last."""
    order = np.argsort(near < 0, axis=1, kind="stable")[:, :k]
    return np.take_along_axis(near, order, axis=1)


def _neighbours(noise: float, spacing: float) -> int:
    """Fewest neighbours, 8 to NEIGHBOURS, whose plane has a normal noise under NORMAL_NOISE.

    Rms angle of a plane through points at `spacing` in a disc of radius r: 2 sqrt(2 / pi) noise spacing / r^2
    (two slopes of a least-squares plane), and the disc holds pi r^2 / (1.75 spacing)^2 cells.
    """
    area = 2 * np.sqrt(2 / np.pi) * noise * spacing / NORMAL_NOISE
    return int(np.clip(np.ceil(area * np.pi / (1.75 * spacing) ** 2), 8, NEIGHBOURS))
