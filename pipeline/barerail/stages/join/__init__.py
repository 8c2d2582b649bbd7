"""Join: several scans of one chassis in the first one's axes, each with its pose and how well that is held."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from barerail.errors import DataError
from barerail.geometry.frames import transform
from barerail.geometry.registration.surface import surface_of
from barerail.records import Array, CommonPoint, Progress, Scan, Source, no_progress
from barerail.settings import JoinSettings
from barerail.stages.join.graph import adjusted
from barerail.stages.join.network import along, chain, others
from barerail.stages.join.place import Member
from barerail.stages.join.ties import joint, middles, ties, told

__all__ = ["join"]

CELLS_ACROSS = 300
FEWEST_CELLS = 200
FINEST_MM, COARSEST_MM = 3.0, 6.0


def join(
    scan: Scan, settings: JoinSettings, common: Sequence[CommonPoint] = (), progress: Progress = no_progress
) -> Scan:
    """The scan with all its sources in the first one's axes; a scan of one source as it is.

    Each source is placed on one that is placed: as it lies where that agrees, else by common points, else by overlap.
    Then every pair that shares enough says where it wants to be, and what they disagree about is spread over all.
    DataError, with the pair, where one can't be placed for certain.
    """
    if len(scan.sources) == 1:
        return scan
    members = [_member(scan, k) for k in range(len(scan.sources))]
    progress(0.1)
    tree = chain(members, settings, common, progress)
    chained = along(tree, len(members))
    more = others(members, chained, tree, settings)
    about = middles([*tree, *more], chained)
    poses, covs = adjusted(chained, [*tree, *more], about)
    joints = [joint(members, link, poses, chained if link in more else None) for link in (*tree, *more)]
    held = ties(members, poses, covs, about, [*tree, *more])
    sources = tuple(replace(s, pose=p, tie=t) for s, p, t in zip(scan.sources, poses, held))
    notes = (*scan.notes, *told(joints, held, [s.name for s in sources]))
    return replace(_moved(scan, members, poses), sources=sources, joints=tuple(joints), notes=notes)


def _member(scan: Scan, row: int) -> Member:
    source = scan.sources[row]
    surface = surface_of(scan, source, _edge(scan, source))
    if len(surface.even) < FEWEST_CELLS:
        raise DataError(f"{source.name} has too little smooth surface to be joined: scan it denser, or leave it out")
    return Member(row, source, surface)


def _edge(scan: Scan, source: Source) -> float:
    """Edge in mm of a thinning cell: a 300th of what was scanned."""
    points = scan.points[slice(*source.rows)]
    return float(np.clip(np.linalg.norm(np.ptp(points, axis=0)) / CELLS_ACROSS, FINEST_MM, COARSEST_MM))


def _moved(scan: Scan, members: Sequence[Member], poses: Sequence[Array]) -> Scan:
    """All points and normals in the first source's axes, normals out of the metal in all."""
    points = np.empty_like(scan.points)
    normals = None if scan.normals is None else np.empty_like(scan.normals)
    for member, pose in zip(members, poses):
        rows = slice(*member.source.rows)
        points[rows] = transform(pose, scan.points[rows])
        if normals is not None and scan.normals is not None:
            sign = -1.0 if member.surface.turned else 1.0
            normals[rows] = (sign * scan.normals[rows] @ pose[:3, :3].T).astype(np.float32)
    return replace(scan, points=points, normals=normals)
