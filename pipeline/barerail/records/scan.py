"""Scans as they are read, joined and cleaned."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from barerail.records.base import Array, Frozen, Index, Note, no_neighbours


@dataclass(frozen=True, eq=False)
class Tie(Frozen):
    """How well a joined scan's pose is held.

    cov (6, 6): of (shift in mm, turn in rad) about the point `about`, first scan's axes, from the surfaces or common
    points alone; reach_mm: how far the scan goes on from what it shares with others; joints: how many lie between it
    and the first scan.
    """

    about: Array
    cov: Array
    reach_mm: float
    joints: int


@dataclass(frozen=True)
class Joint:
    """Two scans (indices in Scan.sources) tied to each other: by `frame`, `points` or `overlap`.

    share: of the smaller one's surface that both have. residual_mm: median distance of the two surfaces (of the common
    points: rms). gap_mm, gap_deg: by how much this pair alone misses what the chain of the others says; nan on a chain.
    """

    first: int
    second: int
    by: str
    share: float
    residual_mm: float
    gap_mm: float = float("nan")
    gap_deg: float = float("nan")


@dataclass(frozen=True)
class CommonPoint:
    """One place seen in a scan: its name, the scan file's name, and where, in that file's own unit. row: its line."""

    row: int
    name: str
    scan: str
    position: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Source(Frozen):
    """One scan file. `rows` are its points in Scan.points; `pose` (4, 4) maps its mm to the first file's mm.

    tie: None for the first file, and before joining.
    """

    name: str
    sha256: str
    bytes: int
    rows: tuple[int, int]
    pose: Array
    spacing_mm: float = float("nan")
    noise_mm: float = float("nan")
    mm_per_unit: float = 1.0
    tie: Tie | None = None


@dataclass(frozen=True, eq=False)
class Scan(Frozen):
    """What was read: points (n, 3) in mm, normals (n, 3) or None, triangles (t, 3) or None for a cloud.

    As read, each source stands in its own axes; joined, all stand in the first one's.
    """

    points: Array
    normals: NDArray[np.float32] | None
    triangles: NDArray[np.int32] | None
    unit: str
    mm_per_unit: float
    unit_assumed: bool
    sources: tuple[Source, ...]
    notes: tuple[Note, ...] = ()
    joints: tuple[Joint, ...] = ()


@dataclass(frozen=True, eq=False)
class CleanScan(Frozen):
    """A scan with its thinned copy.

    thin (m, 3): mean point of each cell of `voxel_mm` (split by side of thin sheet where normals allow).
    normals (m, 3): unit; outward (towards the scanner). own_normals: they rest on the scan's own, not on its
        points alone.
    flat (m,): rms angle in rad between a thin point's normal and its neighbours'.
    label (m,): one of CHASSIS, SPECK, FLOOR, STAND, CLUTTER.
    near (m, k): nearest thinned points that face the same way, nearest first, -1 for none.
    order (n_kept,), start (m + 1,): full-resolution rows of cell i are order[start[i]:start[i + 1]].
    """

    scan: Scan
    thin: Array
    normals: Array
    own_normals: bool
    flat: Array
    label: NDArray[np.uint8]
    order: Index
    start: Index
    voxel_mm: float
    spacing_mm: float
    noise_mm: float
    floor: Array | None
    notes: tuple[Note, ...] = ()
    near: NDArray[np.int32] = field(default_factory=no_neighbours)
