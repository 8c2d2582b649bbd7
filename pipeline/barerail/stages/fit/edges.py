"""Edges of sheet and scraps of lumps that come out round in a fused mesh, among tubes and studs."""

from collections import Counter

import numpy as np

from barerail.geometry.frames import basis
from barerail.records import Array, Feature, Note
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused_round import THIN_TUBE, all_round

BESIDE = 1.8
"""How far about a stud nothing else stands, in radii: a nut has to go on (ISO 4032: 1.6 across its flats, 1.8 across
corners, from memory)."""
FLANK, OFF = 0.35, 0.6
"""Share of both its faces that the edge of a sheet shows there, 0.9 to 1.4 at three taken for studs in simulated scans,
0.3 at most about 64 studs; and how far they may lie off the tangents, in voxels."""


SLENDER = 6.0
"""Length in diameters from which one such face is enough: studs are seldom as long (judgement)."""
SCRAP_DEG, SCRAP = 210.0, 2.0
"""Degrees seen, and length in diameters, under which together a tube may be a scrap of any smooth lump: 6 of 14 false
ones on simulated scans, and none of 97 true."""


def without_edges(found: list[Feature], cloud: Cloud) -> tuple[list[Feature], tuple[Note, ...]]:
    """Tubes, sleeves and studs without those of a fused mesh that may be something else, and how many of each those
    were."""
    told = [(f, _else(f, cloud) if cloud.mesh else "") for f in found]
    dropped = Counter(f"{f.kind}s dropped: {why}" for f, why in told if why)
    return [f for f, why in told if not why], tuple(Note("fit", text, n) for text, n in sorted(dropped.items()))


def _else(f: Feature, cloud: Cloud) -> str:
    """What a round thing may be instead; empty where it is what it seems."""
    thin = f.kind == "tube" and f.diameter < THIN_TUBE * cloud.voxel_mm
    if thin and not all_round(f.diameter, f.arc_deg, cloud.voxel_mm, THIN_TUBE):
        return "so thin and seen from one side that they may be a sheet's edge"
    if (thin or f.kind == "stud") and _flanks(f, cloud) > FLANK:
        return "faces go on from them side by side, so that they may be a sheet's edge"
    if f.kind == "tube" and f.arc_deg < SCRAP_DEG and f.length < SCRAP * f.diameter:
        return "so short and seen from one side that they may be of any smooth lump"
    return ""


def _flanks(f: Feature, cloud: Cloud) -> float:
    """Share seen, about the middle of a round thing, of the less seen of two faces that go on from it side by side; of
    the better seen one about a slender stud."""
    r, spacing = f.diameter / 2, cloud.clean.spacing_mm
    low, high = (0.4 * f.length, f.length - 1.0) if f.kind == "stud" else (-0.25 * f.length, 0.25 * f.length)
    inner, outer = r + spacing, max(BESIDE * r, r + 2 * spacing)
    off = _beside(f, (low, high), (inner, outer), cloud)
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ahead, aside = off @ np.array([np.cos(turn), np.sin(turn)]), off @ np.array([-np.sin(turn), np.cos(turn)])
    faces = [((ahead > 0) & (np.abs(aside + s * r) < OFF * spacing)).sum(axis=0) for s in (-1, 1)]
    slender = f.kind == "stud" and f.length > SLENDER * f.diameter
    seen = (np.max if slender else np.min)(faces, axis=0).max()
    return float(seen * spacing**2 / ((high - low) * (outer - inner)))


def _beside(f: Feature, along: tuple[float, float], away: tuple[float, float], cloud: Cloud) -> Array:
    """Points (n, 2), seen down the axis from it, that lie so far along the axis and away from it, mm."""
    middle = f.point + sum(along) / 2 * f.axis
    off = (cloud.near(middle, (along[1] - along[0]) / 2 + away[1] + cloud.clean.spacing_mm) - f.point) @ basis(f.axis).T
    rho = np.hypot(off[:, 0], off[:, 1])
    within = (off[:, 2] > along[0]) & (off[:, 2] < along[1]) & (rho > away[0]) & (rho < away[1])
    return np.asarray(off[within, :2])
