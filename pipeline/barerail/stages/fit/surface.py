"""The chassis part of the thinned scan, with its neighbours: what faces and tubes are looked for in."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from barerail.forked import mapped
from barerail.geometry.neighbours import Blocks, blocks_of, cosines, flatness
from barerail.records import CHASSIS, Array, CleanScan, Index

FLAT = np.radians(6.0)
NEAREST = 8
"""Neighbours that join two points into one smooth piece."""
ROUGH_VOXELS = 0.35
"""How far points of a thin sheet lie off its face in a fused mesh, in voxels (judgement)."""


@dataclass(frozen=True)
class Surface:
    """The chassis part of the thinned scan: rows into CleanScan.thin, with neighbours among themselves.

    turn (m, k): cosine between the normals of a point and each neighbour.
    rough: how far the points of a thin sheet may lie off its face, mm; 0 but in a fused mesh, where its faces disturb
    each other. doubt: how many standard errors of a face's own turn count for
    nothing; 0 in a cloud, whose edges the scanner has not rounded over a voxel.
    """

    rows: Index
    points: Array
    normals: Array
    flat: Array
    near: Index
    turn: Array
    blocks: Blocks
    tolerance: float
    rough: float
    doubt: float
    cell_area: float


def surface_of(clean: CleanScan) -> Surface:
    """The chassis points of a clean scan with their neighbours; tolerance 3 sigma of a face over 20 mm, in mm."""
    rows = np.flatnonzero(clean.label == CHASSIS)
    points = clean.thin.take(rows, axis=0)
    place = np.full(len(clean.thin) + 1, -1)
    place[rows] = np.arange(len(rows))
    near, normals = place[clean.near[rows]], clean.normals[rows]
    some = np.flatnonzero(near[:, 3] >= 0)[:: max(1, len(rows) // 20_000)]
    typical = float(np.median(np.linalg.norm(points[near[some, 3]] - points[some], axis=1)))
    turn = cosines(normals, near)
    near = np.where(turn > 0, near, -1)
    mesh = clean.scan.triangles is not None
    return Surface(
        rows,
        points,
        normals,
        clean.flat[rows],
        near,
        turn,
        blocks_of(points),
        3 * max(_waviness(points, normals), 0.05),
        mesh * ROUGH_VOXELS * clean.spacing_mm,
        2.0 * mesh,
        np.pi * typical**2 / 4.5,
    )


def _waviness(points: Array, normals: Array, reach: float = 20.0, probes: int = 600) -> float:
    """Rms in mm of thinned points about the plane of all that faces alike within reach, at the flatter places."""
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)

    def spread(i: int) -> float:
        around = np.asarray(tree.query_ball_point(points[i], reach, return_sorted=True))
        alike = points[around[np.abs(normals[around] @ normals[i]) > np.cos(2 * FLAT)]]
        alike = alike[np.abs((alike - points[i]) @ normals[i]) < 2.0]
        if len(alike) <= 12:
            return float("nan")
        d = alike - alike.mean(0)
        return float(np.sqrt(max(np.linalg.eigvalsh(d.T @ d)[0], 0.0) / (len(d) - 3)))

    found = np.array(mapped(spread, np.linspace(0, len(points) - 1, probes).astype(int).tolist()))
    return float(np.nanquantile(found, 0.3)) if np.isfinite(found).any() else 0.0


def smoothed(surface: Surface, rounds: int = 2) -> Surface:
    """The surface with each normal the mean of those next to it: a thin sheet's own are as rough as it is."""
    normals, near = surface.normals, surface.near[:, :NEAREST]
    for _ in range(rounds):
        beside = normals[near]
        sign = np.sign(np.einsum("ij,ikj->ik", normals, beside)) * (near >= 0)
        normals = normals + np.einsum("ik,ikj->ij", sign, beside)
        normals = normals / np.linalg.norm(normals, axis=1)[:, None]
    turn = np.abs(cosines(normals, surface.near))
    return replace(surface, normals=normals, turn=turn, flat=flatness(normals, near), doubt=2 * surface.doubt)
