"""The scan in fewer triangles or points, edges kept: a mesh by quadrics, a cloud by cells that are small at edges."""

from dataclasses import replace

import numpy as np

from barerail.geometry.neighbours import cell_keys
from barerail.libraries import open3d
from barerail.records import CleanScan, Index, Scan

BOUNDARY_WEIGHT = 10.0
"""How much dearer it is to move the border of an open mesh, such as a hole's rim, than its surface (judgement)."""
EDGE_SHARE = 0.5
"""Most of a thinned cloud that goes to edges."""
STEEP = np.radians(12.0)
"""Turn of the normals about a point, rms, that makes it an edge (judgement: flat faces of scans stay below 6 deg)."""


def thinned(clean: CleanScan, most: int) -> Scan:
    """The scan in at most `most` triangles, or points of a cloud; itself where it has no more, or most is 0.

    A mesh: quadric edge collapse (Garland and Heckbert 1997); its corners may move. A cloud: points as they were
    measured, one a cell.
    """
    scan = clean.scan
    size = len(scan.points) if scan.triangles is None else len(scan.triangles)
    if not most or size <= most:
        return scan
    return _mesh(scan, most) if scan.triangles is not None else _cloud(clean, most)


def _mesh(scan: Scan, most: int) -> Scan:
    o3d = open3d()
    middle = np.round((scan.points.min(0) + scan.points.max(0)) / 2)
    mesh = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(scan.points - middle), o3d.utility.Vector3iVector(np.array(scan.triangles))
    )
    small = mesh.simplify_quadric_decimation(most, boundary_weight=BOUNDARY_WEIGHT)
    small.remove_unreferenced_vertices()
    if scan.normals is not None:
        small.compute_vertex_normals()
    return replace(
        scan,
        points=np.asarray(small.vertices) + middle,
        normals=np.asarray(small.vertex_normals, np.float32) if scan.normals is not None else None,
        triangles=np.asarray(small.triangles, np.int32),
    )


def _cloud(clean: CleanScan, most: int) -> Scan:
    scan = clean.scan
    rows = clean.order
    steep = np.repeat(clean.flat > STEEP, np.diff(clean.start))
    edges = _one_a_cell(clean, rows[steep], int(EDGE_SHARE * most))
    flats = _one_a_cell(clean, rows[~steep], most - len(edges))
    kept = np.sort(np.concatenate([edges, flats]))
    return replace(
        scan, points=scan.points[kept], normals=None if scan.normals is None else scan.normals[kept], triangles=None
    )


def _one_a_cell(clean: CleanScan, rows: Index, most: int) -> Index:
    """Of these rows the first of each cell, in the finest cells that give no more than `most`."""
    if len(rows) <= most:
        return rows
    points = clean.scan.points[rows]
    normals = None if clean.scan.normals is None else clean.scan.normals[rows]
    low, high, best = clean.spacing_mm / 2, 1000.0, rows[: max(most, 0)]
    for _ in range(12):
        edge = np.sqrt(low * high)
        first = np.unique(cell_keys(points, edge, normals), return_index=True)[1]
        if len(first) <= most:
            high, best = edge, rows[first]
        else:
            low = edge
    return best
