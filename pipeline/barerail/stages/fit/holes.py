"""Holes from bores: what has a wall is a hole, what stands up is a stud, a mere gap in the scan is neither."""

from collections import Counter
from dataclasses import replace

import numpy as np

from barerail.geometry.rim import Rim
from barerail.records import Feature, NoiseModel, Note
from barerail.settings import FitSettings
from barerail.stages.fit.bores import OPEN_DEG, STANDS, Bore, bores_in, in_face, looked_into, place
from barerail.stages.fit.cloud import Cloud, Face
from barerail.stages.fit.rims import hangs_together
from barerail.stages.fit.slots import as_slot
from barerail.stages.fit.studs import stud_in
from barerail.stages.fit.tilts import tilt_at

SHEET_MM = 12.0
TORN_COVER, TORN_MISFIT = 0.9, 0.8
"""Share of the rim seen and misfit of a place in a fused mesh that is torn, and no hole, where it is worse in both: 2
of 969 true holes on development scenes, 22 of 44 false ones."""
LOOSE = 0.2
"""Standard uncertainty of a rim's place by its own scatter, in voxels, from which it is no hole's: up to 0.17 of 542
true ones on development scenes, 4 of 12 false ones."""
LUMPY, ROUGH = 0.2, 2.0
"""Rms about its plane, in voxels and in the scan's noise, from which on both a patch of a fused mesh is the side of a
lump and no face: those of 1306 true holes on simulated scans lie below, of clutter at 0.15 to 0.35 and 1 to 3."""
SMALL = "smaller than hole_min_mm or than the spacing can show"
Told = tuple[Feature | None, str]
"""What an empty place is, or none and why."""


def told_in(face: Face, rms: float, cloud: Cloud, noise: NoiseModel, settings: FitSettings) -> list[Told]:
    """What the round empty places of a face are; rms: of the face about its plane, mm."""
    bores = bores_in(face, cloud, settings)
    if cloud.mesh and rms > max(LUMPY * cloud.voxel_mm, ROUGH * noise.sigma_mm):
        return [(None, "in the side of a lump, not in a face") for _ in bores]
    return [_told(bore, cloud, noise, settings) for bore in bores]


def _told(bore: Bore, cloud: Cloud, noise: NoiseModel, settings: FitSettings) -> Told:
    if bore.standing > STANDS:
        stud = stud_in(bore, cloud, noise)
        return stud, "" if stud else "something stands in it that is no stud"
    slot, unsure = _slot(bore, cloud, noise, settings)
    why_not = unsure or _why_not(bore, cloud, settings)
    if slot or why_not:
        return slot, "" if slot else why_not
    bore = looked_into(bore, cloud)
    return (None, "its rim scatters too much to be one") if _loose(bore.rim, cloud) else (_hole(bore, cloud, noise), "")


def features_of(told: list[Told], mesh: bool) -> tuple[list[Feature], tuple[Note, ...]]:
    """Holes, slots and studs, those on both faces of a sheet as one, and what was dropped with the reason."""
    found = [feature for feature, _ in told if feature is not None]
    dropped = Counter(why for feature, why in told if feature is None)
    merged = _both_faces(mesh, _once([f for f in found if f.kind != "stud" or not any(_bore_of(h, f) for h in found)]))
    notes = tuple(Note("fit", f"round empty places dropped: {r}", n) for r, n in sorted(dropped.items()))
    return merged, notes


def _why_not(bore: Bore, cloud: Cloud, settings: FitSettings) -> str:
    """Why a bore is no hole; empty where it is one."""
    spacing, mesh = cloud.clean.spacing_mm, cloud.mesh
    diameter = 2 * bore.rim.mean[2]
    sure = bore.cover >= 0.87 and bore.rim.misfit == 0 and bore.rim.n_wall >= 7
    spacings = 4.0 if mesh else 3.5 if sure else 4.2
    if diameter < max(settings.hole_min_mm, spacings * spacing):
        return SMALL
    if bore.closed_behind:
        return "sheet goes on behind or in it"
    if bore.brim < 0.15:
        return "the open end of a tube or rail"
    need = 0.15 if mesh else 0.2
    if diameter < 5 * spacing:
        need = 0.3 if mesh else 0.33 if sure else 0.6
    if bore.wall_share < need or bore.rim.n_wall < 5:
        return "no wall seen, so it may be a gap in the scan"
    torn = mesh and bore.cover < TORN_COVER and bore.rim.misfit > TORN_MISFIT
    if bore.cover < 0.75 or bore.gap > OPEN_DEG or bore.rim.misfit > 3 or torn:
        return "its rim does not close"
    return ""


def _loose(rim: Rim, cloud: Cloud) -> bool:
    """Whether what a fused mesh shows of a rim scatters too much to be one."""
    return bool(cloud.mesh and np.sqrt(np.diag(rim.cov)[:2].max()) > LOOSE * cloud.voxel_mm)


def _slot(bore: Bore, cloud: Cloud, noise: NoiseModel, settings: FitSettings) -> Told:
    if bore.closed_behind or bore.brim < 0.15 or bore.wall_share < 0.1:
        return None, ""
    if bore.rim_share >= 0.85 and bore.cover >= 0.9 and not cloud.mesh:
        return None, ""
    slot, unsure = as_slot(bore, cloud, noise)
    small = slot is not None and slot.diameter + 2 * slot.u_diameter < settings.hole_min_mm
    return (None, SMALL) if small else (slot, unsure)


def _hole(bore: Bore, cloud: Cloud, noise: NoiseModel) -> Feature:
    flat = bore.rim.cov + np.diag(hangs_together(noise, bore.rim.mean[2]) + bore.edge[:3] ** 2)
    axis, cov_axis = tilt_at(cloud, bore.face, bore.rim.mean[:2], noise, bore.edge[4])
    return Feature(
        kind="hole",
        point=place(bore, bore.rim.mean[:2]),
        axis=axis,
        diameter=float(2 * bore.rim.mean[2]),
        length=float("nan"),
        cov=in_face(bore, flat[:2, :2], noise),
        cov_axis=cov_axis,
        u_diameter=float(2 * np.sqrt(flat[2, 2])),
        u_length=float("nan"),
        arc_deg=round(360 * bore.cover),
        n=bore.n + bore.rim.n_wall,
        rms=bore.rim.wall_rms,
        plane=bore.face.patch,
        detail={"wall_share": round(min(bore.wall_share, 1.0), 3)},
    )


def _coaxial(a: Feature, b: Feature) -> tuple[float, float]:
    """Distance in mm across and along a's axis from a to b."""
    d = b.point - a.point
    along = float(d @ a.axis)
    return float(np.linalg.norm(d - along * a.axis)), along


def _bore_of(hole: Feature, stud: Feature) -> bool:
    """Whether a hole runs down the axis of what looked like a stud: it is a sleeve that stands on a face."""
    across, along = _coaxial(stud, hole)
    square = hole.kind == "hole" and abs(hole.axis @ stud.axis) > 0.97
    return bool(square and across < 0.15 * stud.diameter and abs(along) < 100.0 and hole.diameter < stud.diameter - 2)


def _once(found: list[Feature]) -> list[Feature]:
    """One feature a place on one side of a sheet: of several patches of one face the best seen counts."""
    ranked = sorted(found, key=lambda f: (f.kind == "hole", -f.arc_deg, -f.n, *f.point))
    kept: list[Feature] = []
    for f in ranked:
        close = [(*_coaxial(k, f), _reach(k, f)) for k in kept if k.axis @ f.axis > 0.9]
        if not any(across < reach and abs(along) < 2.5 for across, along, reach in close):
            kept.append(f)
    return kept


def _reach(k: Feature, f: Feature) -> float:
    """How near f's centre may come to k's without being the same empty place, mm."""
    return k.length / 2 if k.kind == "slot" else 0.5 * f.diameter if f.kind == "hole" else f.diameter


def _both_faces(mesh: bool, found: list[Feature]) -> list[Feature]:
    """A hole or slot seen on both faces of a sheet as one, both face centres in `ends`, thickness as `length`."""
    merged: list[Feature] = []
    used: set[int] = set()
    for i, a in enumerate(found):
        if i in used:
            continue
        best, best_across = -1, np.inf
        for j in range(i + 1, len(found)):
            b = found[j]
            if j in used or a.kind != b.kind or a.kind == "stud" or a.axis @ b.axis > -0.95:
                continue
            across, along = _coaxial(a, b)
            if -SHEET_MM < along < -0.5 and across < min(best_across, (0.4 if mesh else 0.25) * a.diameter):
                best, best_across = j, across
        used.add(best)
        merged.append(a if best < 0 else _sheet(a, found[best], mesh))
    return merged


def _sheet(a: Feature, b: Feature, mesh: bool) -> Feature:
    """A hole or slot from both faces of a sheet; in a fused mesh, where each disturbs the other, the mean of both, and
    half of what they disagree by in its U."""
    across, along = _coaxial(a, b)
    thickness = abs(along)
    each = [float(np.sqrt(a.axis @ f.cov @ a.axis)) for f in (a, b)]
    u = sum(each) if mesh else float(np.hypot(each[0], each[1]))  # fusing pushes both faces out alike
    detail = dict(a.detail) | {"other_diameter_mm": round(b.diameter, 4), "offset_mm": round(across, 4)}
    ends = np.array([a.point, b.point])
    if mesh:
        aside = (b.point - a.point - along * a.axis) / 2
        ends = np.array([a.point + aside, b.point - aside])
        u_d = max(a.u_diameter, abs(a.diameter - b.diameter) / 2)
        a = replace(a, diameter=(a.diameter + b.diameter) / 2, u_diameter=u_d, cov=a.cov + np.outer(aside, aside))
    if a.kind == "slot":
        detail |= {"thickness_mm": round(thickness, 4), "u_thickness_mm": round(u, 4)}
        length = (a.length + b.length) / 2 if mesh else a.length
        return replace(a, point=ends[0], ends=ends, length=length, detail=detail)
    return replace(a, point=ends[0], length=thickness, u_length=u, ends=ends, detail=detail)
