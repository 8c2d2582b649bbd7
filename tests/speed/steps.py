"""Single steps of clean and fit beside what a general library offers for the same, on the same arrays."""

from collections.abc import Callable, Iterator
from time import perf_counter
from typing import NamedTuple

import numpy as np

from barerail.geometry.neighbours import cell_keys, into_cells, nearest, normals_of
from barerail.geometry.plane import fit_plane
from barerail.libraries import open3d
from barerail.records import Scan
from barerail.settings import Settings
from barerail.stages.clean import clean
from barerail.stages.fit.patches import find_patches
from barerail.stages.fit.surface import surface_of

CELL_MM, NEAR = 3.5, 14


class Step(NamedTuple):
    """Seconds of ours and of the library's; bytes_moved: of what the step reads and writes, each counted once."""

    name: str
    ours: float
    library: float
    which: str
    bytes_moved: int


def bandwidth(size: int = 1 << 28) -> float:
    """GB a second, read and written, of the best of five copies of an array."""
    source = np.ones(size // 8)
    target = np.empty_like(source)
    return 2 * size / 1e9 / min(_seconds(lambda: np.copyto(target, source)) for _ in range(5))


def _seconds(do: Callable[[], object]) -> float:
    start = perf_counter()
    do()
    return perf_counter() - start


def steps_on(scan: Scan) -> Iterator[Step]:
    from sklearn.decomposition import PCA
    from sklearn.linear_model import LinearRegression, RANSACRegressor
    from sklearn.neighbors import NearestNeighbors

    o3d = open3d()
    points = np.array(scan.points, float)
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    cells = into_cells(points, cell_keys(points, CELL_MM))
    ours = _seconds(lambda: into_cells(points, cell_keys(points, CELL_MM)))
    theirs = _seconds(lambda: cloud.voxel_down_sample(CELL_MM))
    yield Step("thin to cells", ours, theirs, "open3d", points.nbytes + cells.mean.nbytes + cells.order.nbytes)

    near = nearest(cells.mean, NEAR, 6 * CELL_MM)[0]
    ours = _seconds(lambda: nearest(cells.mean, NEAR, 6 * CELL_MM))
    search = NearestNeighbors(n_neighbors=NEAR + 1, n_jobs=-1)
    theirs = _seconds(lambda: search.fit(cells.mean).kneighbors(cells.mean))
    yield Step(f"{NEAR} neighbours (scipy in ours)", ours, theirs, "scikit-learn", cells.mean.nbytes + near.nbytes)

    thin = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(cells.mean))
    ours = _seconds(lambda: normals_of(cells.mean, nearest(cells.mean, NEAR, 6 * CELL_MM)[0]))
    theirs = _seconds(lambda: thin.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(NEAR)))
    yield Step("normals, neighbours included", ours, theirs, "open3d", 2 * cells.mean.nbytes + near.nbytes)

    cleaned = clean(scan, Settings().clean)
    surface = surface_of(cleaned)
    thin = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(surface.points))
    thin.normals = o3d.utility.Vector3dVector(surface.normals)
    ours = _seconds(lambda: find_patches(surface, 4.0))
    theirs = _seconds(lambda: thin.detect_planar_patches(60, 75, 0.75, 20, 30, o3d.geometry.KDTreeSearchParamKNN(30)))
    yield Step("all flat faces", ours, theirs, "open3d", surface.points.nbytes + surface.near.nbytes)

    flat = points[: min(len(points), 200_000)] * (1.0, 1.0, 1e-3)
    ours = _seconds(lambda: fit_plane(flat))
    theirs = _seconds(lambda: PCA(3).fit(flat))
    yield Step(f"one plane of {len(flat)} points", ours, theirs, "scikit-learn PCA", flat.nbytes)
    one = RANSACRegressor(LinearRegression(), residual_threshold=0.3, random_state=1)
    theirs = _seconds(lambda: one.fit(flat[:, :2], flat[:, 2]))
    yield Step(f"one plane of {len(flat)} points", ours, theirs, "scikit-learn RANSAC", flat.nbytes)
