"""Clean: from a raw scan to a thinned one with normals, its spacing and noise, and labels for what is no chassis.

Nothing is deleted: specks, floor and stands are labelled, and every cell keeps its full-resolution points.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, cKDTree

from barerail.geometry.neighbours import (
    Cells,
    cell_keys,
    convexity,
    cosines,
    flatness,
    into_cells,
    nearest,
    normals_of,
    rows_of,
    touching,
)
from barerail.records import (
    CHASSIS,
    FLOOR,
    LABELS,
    SPECK,
    STAND,
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

FEW, NEIGHBOURS = 14, 24
"""Neighbours looked up for each thinned point, and where the noise needs more for a normal."""
PROBES = 2000
MIXED = np.array([1.0, np.sqrt(2.0), np.sqrt(3.0)])
"""A direction in which hardly two points lie at one place."""
FLOOR_MM = 600.0
"""Least width of a floor: the web of a tall rail is narrower (judgement)."""
FILLED = 0.65
"""Least share of the outline that a floor fills (judgement): the undersides of a frame's rails fill under half."""
NORMAL_NOISE = np.radians(1.0)


def clean(scan: Scan, settings: CleanSettings, progress: Progress = no_progress) -> CleanScan:
    """Thin, estimate normals, spacing and noise, and label the scan; see CleanScan."""
    points = np.asarray(scan.points)
    cells, voxel, spacing = _thin(points, scan, settings)
    twice = len(points) - len(cells.order)
    progress(0.4)
    near, _ = nearest(cells.mean, FEW, 6 * voxel)
    given, notes = _given_normals(scan, cells, near)
    near = _same_side(near, given)
    noise = _noise(points, cells, near)
    progress(0.6)
    around, used = near, _neighbours(noise, spacing)
    if used > FEW - 4:
        around = _same_side(nearest(cells.mean, NEIGHBOURS, 6 * voxel)[0], given)
    around = _first(around, used)
    normals = normals_of(cells.mean, around)
    if given is not None:
        normals, said = _signed(cells.mean, normals, given)
        notes += said
    progress(0.9)
    label, floor, said = _labels(cells.mean, normals, voxel, settings)
    sources = _measured(scan, spacing, noise, settings)
    return CleanScan(
        scan=replace(scan, sources=sources),
        thin=cells.mean,
        normals=normals,
        oriented=given is not None,
        flat=flatness(normals, around),
        label=label,
        near=near.astype(np.int32),
        order=cells.order,
        start=cells.start,
        voxel_mm=voxel,
        spacing_mm=spacing,
        noise_mm=noise,
        floor=floor,
        notes=(*notes, *said, *_copies(twice)),
    )


def _thin(points: Array, scan: Scan, settings: CleanSettings) -> tuple[Cells, float, float]:
    voxel, rows = settings.voxel_mm or 3.0, None
    cells = _cells(points, scan.normals, rows, voxel)
    if _some_twice(points, cells):
        rows = np.sort(np.unique(np.ascontiguousarray(points), axis=0, return_index=True)[1])
        cells = _cells(points, scan.normals, rows, voxel)
    spacing = _spacing(points, scan.normals, cells, voxel)
    if not settings.voxel_mm and 1.75 * spacing > voxel:
        voxel = round(1.75 * spacing, 2)
        cells = _cells(points, scan.normals, rows, voxel)
    return cells, voxel, spacing


def _measured(scan: Scan, spacing: float, noise: float, settings: CleanSettings) -> tuple[Source, ...]:
    """The sources, each with its own spacing and noise; those of the whole where there is one alone."""
    if len(scan.sources) == 1:
        return (replace(scan.sources[0], spacing_mm=spacing, noise_mm=noise),)
    out = []
    for source in scan.sources:
        rows = slice(*source.rows)
        alone = replace(scan, points=scan.points[rows], normals=None if scan.normals is None else scan.normals[rows])
        cells, voxel, own = _thin(alone.points, alone, settings)
        near, _ = nearest(cells.mean, FEW, 6 * voxel)
        near = _same_side(near, _given_normals(alone, cells, near)[0])
        out.append(replace(source, spacing_mm=own, noise_mm=_noise(alone.points, cells, near)))
    return tuple(out)


def _copies(count: int) -> tuple[Note, ...]:
    return (Note("clean", "points that are there twice, counted once", count),) if count else ()


def _some_twice(points: Array, cells: Cells) -> bool:
    """Whether a look at some cells finds points that are there twice."""
    probe = np.linspace(0, len(cells.mean) - 1, min(PROBES, len(cells.mean))).astype(np.int64)
    some = points[rows_of(probe, cells.order, cells.start)]
    return len(np.unique(some, axis=0)) < 0.999 * len(some)


def _cells(points: Array, normals: NDArray[np.float32] | None, rows: Index | None, voxel: float) -> Cells:
    """The points in cells, those of a cell in an order of their places: the file's own order changes nothing."""
    rows = np.arange(len(points)) if rows is None else rows
    rows = rows[np.argsort(points[rows] @ MIXED, kind="stable")]
    kept = points[rows]
    cells = into_cells(kept, cell_keys(kept, voxel, None if normals is None else normals[rows]))
    return Cells(cells.mean, rows[cells.order], cells.start)


def _spacing(points: Array, normals: NDArray[np.float32] | None, cells: Cells, voxel: float, k: int = 12) -> float:
    """Median of 1 / sqrt(density), density from the distance to the k-th neighbour, over evenly strided probes.

    Neighbours on the other face of a sheet, told by the scan's normals where it has any, don't count.
    """
    reach = 6 * voxel
    probe = np.linspace(0, len(cells.mean) - 1, min(PROBES, len(cells.mean))).astype(np.int64)
    tree, first = cKDTree(cells.mean), cells.order[cells.start[probe]]
    while True:
        around = tree.query_ball_point(cells.mean[probe], reach, workers=-1, return_sorted=True)
        near = np.unique(np.concatenate([np.asarray(a, np.int64) for a in around]))
        middle = _kth_distance(points, normals, rows_of(near, cells.order, cells.start), first, k)
        if middle < 0.6 * reach or reach > 200:
            return middle * float(np.sqrt(np.pi / k))
        reach *= 2


def _kth_distance(points: Array, normals: NDArray[np.float32] | None, rows: Index, first: Index, k: int) -> float:
    """Median distance in mm from points `first` to their k-th neighbour among `rows` that faces their way."""
    found = cKDTree(points[rows]).query(points[first], min(3 * k + 1, len(rows)), workers=-1)
    distance, index = np.asarray(found[0]), rows[np.asarray(found[1])]
    alike = np.ones(distance.shape, bool)
    if normals is not None:
        alike = np.einsum("mi,mki->mk", normals[first], normals[index]) > 0
    rank = np.cumsum(alike, axis=1)
    enough = rank[:, -1] > k
    chosen = np.argmax(rank > k, axis=1)
    return float(np.median(distance[enough, chosen[enough]])) if enough.any() else float("inf")


def _given_normals(scan: Scan, cells: Cells, near: Index) -> tuple[Array | None, tuple[Note, ...]]:
    """Mean (m, 3) of the scan's own normals in each cell, or None where there are none that agree with each other."""
    if scan.normals is None:
        return None, (Note("clean", "the scan has no normals: sides of faces are judged by shape"),)
    given = np.add.reduceat(scan.normals[cells.order].astype(float), cells.start[:-1], axis=0)
    given /= np.maximum(np.linalg.norm(given, axis=1), 1e-12)[:, None]
    probe = slice(None, None, max(1, len(given) // 50_000))
    few, own = near[probe, :8], given[probe]
    step = cells.mean[few] - cells.mean[probe, None]
    level = np.abs(np.einsum("mi,mki->mk", own, step)) < 0.3 * np.linalg.norm(step, axis=2)
    cosine = np.einsum("mi,mki->mk", own, given[few])
    parallel = (np.abs(cosine) > 0.8) & (few >= 0) & level
    agree = float((cosine[parallel] > 0).mean()) if parallel.any() else 0.0
    if agree < 0.75:
        text = f"the scan's normals disagree with each other ({100 * (1 - agree):.0f} % of neighbours): not used"
        return None, (Note("clean", text, warning=True),)
    return given, ()


def _same_side(near: Index, given: Array | None) -> Index:
    """Neighbours on the other face of a sheet or round a sharp corner, by given normals, taken out (-1)."""
    return near if given is None else np.where(cosines(given, near) > 0.3, near, -1)


def _first(near: Index, k: int) -> Index:
    """The k nearest that are left of each row, -1 last."""
    order = np.argsort(near < 0, axis=1, kind="stable")[:, :k]
    return np.take_along_axis(near, order, axis=1)


def _signed(thin: Array, normals: Array, given: Array) -> tuple[Array, tuple[Note, ...]]:
    """Normals signed like the given ones, and all turned where those point into the metal."""
    signed = normals * np.where(np.einsum("mi,mi->m", given, normals) < 0, -1.0, 1.0)[:, None]
    if convexity(thin, signed) > 0:
        return -signed, (Note("clean", "the scan's normals point into the metal: turned", warning=True),)
    return signed, ()


def _neighbours(noise: float, spacing: float) -> int:
    """Fewest neighbours, 8 to NEIGHBOURS, whose plane has a normal noise under NORMAL_NOISE.

    Rms angle of a plane through points at `spacing` in a disc of radius r: 2 sqrt(2 / pi) noise spacing / r^2
    (two slopes of a least-squares plane), and the disc holds pi r^2 / (1.75 spacing)^2 cells.
    """
    area = 2 * np.sqrt(2 / np.pi) * noise * spacing / NORMAL_NOISE
    return int(np.clip(np.ceil(area * np.pi / (1.75 * spacing) ** 2), 8, NEIGHBOURS))


def _noise(points: Array, cells: Cells, near: Index) -> float:
    """Robust sd in mm of full-resolution points about a quadric through their own and next cells, where smooth."""
    probe = np.linspace(0, len(cells.mean) - 1, min(PROBES, len(cells.mean))).astype(np.int64)
    spread = np.full(len(probe), np.nan)
    for i, p in enumerate(probe):
        ring = np.concatenate(([p], near[p][near[p] >= 0][:18]))
        local = points[rows_of(ring, cells.order, cells.start)]
        if len(local) >= 15:
            spread[i] = _roughness(local - local.mean(0))
    found = spread[np.isfinite(spread)]
    return float(np.quantile(found, 0.2)) if len(found) else float("nan")


def _roughness(local: Array) -> float:
    """Standard deviation in mm of centred points (n, 3) about a quadric over their plane, six terms."""
    flat = local @ np.linalg.eigh(local.T @ local)[1]
    z, y, x = flat.T
    design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    r = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    return float(np.sqrt(r @ r / (len(r) - 6)))


def _labels(
    thin: Array, normals: Array, voxel: float, settings: CleanSettings
) -> tuple[NDArray[np.uint8], Array | None, tuple[Note, ...]]:
    label = np.full(len(thin), CHASSIS, np.uint8)
    floor = _floor(thin, normals, settings.floor_share)
    if floor is not None:
        height = thin @ floor[:3] - floor[3]
        label[height < max(10.0, 3 * voxel)] = FLOOR
        label[(label == CHASSIS) & (height < _underside(height))] = STAND
    rest = np.flatnonzero(label == CHASSIS)
    piece = touching(thin[rest], 3 * voxel)
    size = np.bincount(piece)
    label[rest[size[piece] < settings.speck_points]] = SPECK
    count = np.bincount(label, minlength=len(LABELS))
    named = [i for i in (SPECK, FLOOR, STAND) if count[i]]
    notes = [Note("clean", f"{LABELS[i]}: thinned points labelled and left out", int(count[i])) for i in named]
    return label, floor, tuple(notes)


def _floor(thin: Array, normals: Array, share: float) -> Array | None:
    """(nx, ny, nz, d) of a big, filled plane with nearly all of the scan above it, n upward from it; else None.

    Rail undersides make such a plane too, but fill little of its hull; a floor fills it.
    """
    rough = thin[:: max(1, len(thin) // 30_000)]
    turn = normals[:: max(1, len(thin) // 30_000)]
    best, best_n = None, 0
    for i in np.linspace(0, len(rough) - 1, 400).astype(int):
        close = np.abs((rough - rough[i]) @ turn[i]) < 15.0
        n = int((close & (np.abs(turn @ turn[i]) > 0.95)).sum())
        if n > best_n:
            best, best_n = close, n
    if best is None or best_n < 0.03 * len(rough):
        return None
    centre = rough[best].mean(0)
    normal = np.linalg.eigh(np.cov((rough[best] - centre).T))[1][:, 0]
    height = (rough - centre) @ normal
    normal, height = (normal, height) if np.median(height) > 0 else (-normal, -height)
    flat = (rough[np.abs(height) < 15.0] - centre) @ np.linalg.svd(normal[None])[2][1:].T
    narrow = np.sqrt(12 * np.linalg.eigvalsh(np.cov(flat.T))[0]) < FLOOR_MM
    alone = (height > 15.0).mean() < 0.2
    if narrow or alone or (height > -15.0).mean() < share or _filled(thin, centre, normal) < FILLED:
        return None
    return np.append(normal, centre @ normal)


def _filled(thin: Array, centre: Array, normal: Array, cell: float = 20.0) -> float:
    """Share of the scan's outline, seen along the plane's normal, that the plane itself fills, by cells of 20 mm."""
    flat = (thin - centre) @ np.linalg.svd(normal[None])[2][1:].T
    on = np.unique(np.floor(flat[np.abs((thin - centre) @ normal) < 15.0] / cell), axis=0)
    return float(len(on) * cell**2 / max(ConvexHull(flat).volume, 1.0))


def _underside(height: Array, step: float = 20.0) -> float:
    """Height in mm above the floor below which there is only what the chassis stands on."""
    bins = np.bincount((height[height > step] / step).astype(int))
    busy = np.flatnonzero(bins > 0.25 * bins.max())
    return float(busy[0] * step - 5.0)
