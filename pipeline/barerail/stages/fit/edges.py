"""What comes out round in a fused mesh and may be something else: edges of sheet, wires, scraps of lumps."""

from collections import Counter

import numpy as np

from barerail.geometry.frames import basis
from barerail.records import Array, Feature, Note
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused_round import THIN_SHAFT, THIN_TUBE, all_round
from barerail.stages.fit.hoses import WIDEST_MM

BESIDE = 1.8
"""How far about a stud nothing else stands, in radii: a nut has to go on (ISO 4032: 1.6 across its flats, 1.8 across
corners, from memory)."""
FLANK, OFF, FEWEST = 0.35, 0.6, 5
"""Share of each of both its faces that the edge of a sheet shows there, 0.9 to 1.4 at three taken for studs in
simulated scans, 0.3 at most about 64 studs; how far they may lie off the tangents, in voxels; and points of each."""
BETWEEN = 0.5
"""Most points between both faces, in those of the less seen one: a nut or a wall across has more, a sheet none."""
SLENDER = 9.0
"""Diameters from which a thin stud is too long to be told from a wire or the end of a sheet, which come out 10 to 12
diameters long in simulated scans, studs 5 at most (judgement: M8 x 60 reads as 8.3, its thread's mean being 7.2)."""
SCRAP_DEG, SCRAP, THIN_SCRAP = 210.0, 1.0, 2.0
"""Degrees seen, and length in diameters, under which together a tube may be a scrap of any smooth lump, and that of one
too thin to carry (judgement): 9 of 41 false ones on simulated scans, where none of 139 true ones is shorter than three
diameters; a wide one between two rails may be."""


def without_doubtful(found: list[Feature], cloud: Cloud) -> tuple[list[Feature], tuple[Note, ...]]:
    """Tubes, sleeves and studs without those of a fused mesh that may be something else, and how many those were."""
    told = [(f, _else(f, cloud) if cloud.mesh else "") for f in found]
    dropped = Counter(f"{f.kind}s dropped: {why}" for f, why in told if why)
    return [f for f, why in told if not why], tuple(Note("fit", text, n) for text, n in sorted(dropped.items()))


def _else(f: Feature, cloud: Cloud) -> str:
    """What a round thing may be instead; empty where it is what it seems."""
    if f.kind == "stud" and _between_faces(f, cloud):
        return "faces go on from both their sides, so that they may be a sheet's edge"
    if f.kind == "stud" and f.diameter < THIN_SHAFT * cloud.voxel_mm and f.length > SLENDER * f.diameter:
        return "so thin and long that they may be a wire or the end of a sheet"
    if f.kind == "tube" and not all_round(f.diameter, f.arc_deg, cloud.voxel_mm, THIN_TUBE):
        return "so thin and seen from one side that they may be a sheet's edge"
    short = (THIN_SCRAP if f.diameter < WIDEST_MM else SCRAP) * f.diameter
    if f.kind == "tube" and f.arc_deg < SCRAP_DEG and f.length < short:
        return "so short and seen from one side that they may be of any smooth lump"
    return ""


def _between_faces(stud: Feature, cloud: Cloud) -> bool:
    """Whether two faces go on from a stud's sides, with nothing between them, as from the edge of a sheet."""
    r, spacing, high = stud.diameter / 2, cloud.clean.spacing_mm, (0.4 * stud.length, stud.length - 1.0)
    away = r + spacing, max(BESIDE * r, r + 2 * spacing)
    off = _beside(stud, high, away, cloud)
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ahead, aside = off @ np.array([np.cos(turn), np.sin(turn)]), off @ np.array([-np.sin(turn), np.cos(turn)])
    left, right = (((ahead > 0) & (np.abs(aside + s * r) < OFF * spacing)).sum(axis=0) for s in (-1, 1))
    less = np.minimum(left, right)
    between = ((ahead > 0) & (np.abs(aside) < r - OFF * spacing)).sum(axis=0)
    enough = max(FEWEST, FLANK * (high[1] - high[0]) * (away[1] - away[0]) / spacing**2)
    return bool(((less >= enough) & (between <= BETWEEN * less)).any())


def _beside(stud: Feature, high: tuple[float, float], away: tuple[float, float], cloud: Cloud) -> Array:
    """Points (n, 2), seen down a stud's axis from it, that lie so high over its seat and so far from its axis, mm."""
    reach = (high[1] - high[0]) / 2 + away[1] + cloud.clean.spacing_mm
    off = (cloud.near(stud.point + sum(high) / 2 * stud.axis, reach) - stud.point) @ basis(stud.axis).T
    rho = np.hypot(off[:, 0], off[:, 1])
    within = (off[:, 2] > high[0]) & (off[:, 2] < high[1]) & (rho > away[0]) & (rho < away[1])
    return np.asarray(off[within, :2])
