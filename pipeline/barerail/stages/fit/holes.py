"""Holes from bores: what has a wall is a hole, what stands up is a stud, a mere gap in the scan is neither."""

from collections import Counter
from dataclasses import replace

import numpy as np

from barerail.errors import DataError
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import fit_cylinder
from barerail.geometry.raster import cover
from barerail.records import Array, Feature, NoiseModel, Note, Plane
from barerail.settings import FitSettings
from barerail.stages.fit.bores import Bore, Cloud
from barerail.stages.fit.slots import as_slot

SHEET_MM = 12.0
MESH_EDGE = 0.25
"""Standard uncertainty of a rim in a fused mesh, in point spacings (algorithms note A4 gives 0.1 to 0.3)."""


def features_of(
    bores: list[Bore], planes: tuple[Plane, ...], cloud: Cloud, noise: NoiseModel, settings: FitSettings
) -> tuple[list[Feature], tuple[Note, ...]]:
    """Holes, slots and studs, those on both faces of a sheet as one, and what was dropped with the reason."""
    found: list[Feature] = []
    dropped: Counter[str] = Counter()
    for bore in bores:
        if bore.standing > 0.15:
            feature = _stud(bore, planes, cloud, noise, settings)
            reason = "something stands in it that is no stud"
        else:
            reason = _why_not(bore, cloud, settings)
            feature = _slot(bore, planes, cloud, noise)
            if feature is None and not reason:
                feature = _hole(bore, planes, cloud, noise)
        if feature is None:
            dropped[reason] += 1
        else:
            found.append(feature)
    merged = _both_faces(_once(found))
    notes = tuple(Note("fit", f"round empty places dropped: {r}", n) for r, n in sorted(dropped.items()))
    return merged, notes


def _why_not(bore: Bore, cloud: Cloud, settings: FitSettings) -> str:
    """Why a bore is no hole; empty where it is one."""
    spacing, mesh = cloud.clean.spacing_mm, cloud.clean.scan.triangles is not None
    diameter = 2 * bore.rim.mean[2]
    spacings = 3.5 if mesh else 4.2
    if diameter < max(settings.hole_min_mm, spacings * spacing):
        return "smaller than the spacing can show"
    if bore.closed_behind:
        return "the sheet goes on behind it"
    if bore.brim < 0.15:
        return "the open end of a tube or rail"
    need = 0.15 if mesh else 0.2
    if diameter < 5 * spacing:
        need = 0.3 if mesh else 0.6
    if bore.wall_share < need or bore.rim.n_wall < 5:
        return "no wall seen, so it may be a gap in the scan"
    if bore.cover < 0.7 or bore.rim.misfit > 3:
        return "its rim does not close"
    return ""


def _slot(bore: Bore, planes: tuple[Plane, ...], cloud: Cloud, noise: NoiseModel) -> Feature | None:
    if bore.closed_behind or bore.brim < 0.15 or bore.wall_share < 0.1:
        return None
    if bore.rim_share >= 0.85 and bore.cover >= 0.9:
        return None
    return as_slot(bore, planes[bore.face.patch], cloud, noise)


def _hole(bore: Bore, planes: tuple[Plane, ...], cloud: Cloud, noise: NoiseModel) -> Feature:
    mesh = cloud.clean.scan.triangles is not None
    edge = (MESH_EDGE * cloud.clean.spacing_mm) ** 2 if mesh else 0.0
    flat = bore.rim.cov + np.diag(_hangs_together(noise, bore.rim.mean[2])) + np.eye(3) * edge
    return Feature(
        kind="hole",
        point=place(bore, bore.rim.mean[:2]),
        axis=bore.face.axes[2],
        diameter=float(2 * bore.rim.mean[2]),
        length=float("nan"),
        cov=in_face(bore, flat[:2, :2], noise),
        cov_axis=tilt_of(planes[bore.face.patch]),
        u_diameter=float(2 * np.sqrt(flat[2, 2])),
        u_length=float("nan"),
        arc_deg=round(360 * bore.cover),
        n=bore.n + bore.rim.n_wall,
        rms=bore.rim.wall_rms,
        plane=bore.face.patch,
        detail={"wall_share": round(min(bore.wall_share, 1.0), 3)},
    )


def _hangs_together(noise: NoiseModel, radius: float, steps: int = 90) -> Array:
    """Variances (3,) in mm2 of x, y, radius from noise that hangs together and moves the wall along its own normal.

    The rim's mean and first harmonic of a field with covariance corr^2 exp(-chord / length): what moves the whole rim
    outward changes the radius alone, what differs from side to side moves the centre.
    """
    turn = np.linspace(0, 2 * np.pi, steps, endpoint=False)
    like = np.exp(-2 * radius * np.abs(np.sin(turn / 2)) / noise.corr_length_mm)
    even, sideways = float(like.mean()), float((like * np.cos(turn)).mean())
    return noise.corr_mm**2 * np.array([2 * sideways, 2 * sideways, even])


def place(bore: Bore, xy: Array) -> Array:
    """A point of the face's frame, at the height of the face near the bore, in scan axes."""
    return bore.face.centre + bore.face.axes.T @ np.array([*xy, bore.height])


def in_face(bore: Bore, flat: Array, noise: NoiseModel) -> Array:
    """Covariance (3, 3) in scan axes from that in the face (2, 2) and the height of the ring about the bore."""
    local = np.zeros((3, 3))
    local[:2, :2] = flat
    local[2, 2] = noise.corr_mm**2 + noise.white_mm**2 / max(bore.n, 1)
    return bore.face.axes.T @ local @ bore.face.axes


def tilt_of(plane: Plane) -> Array:
    """Covariance (3, 3) in rad2 of a plane's normal."""
    turn = np.array([-plane.axes[1], plane.axes[0]])
    return turn.T @ plane.cov[1:, 1:] @ turn


def _stud(
    bore: Bore, planes: tuple[Plane, ...], cloud: Cloud, noise: NoiseModel, settings: FitSettings
) -> Feature | None:
    """The stud that stands in a bore: its axis where it meets the face. None for a tube's foot or anything else."""
    axes, r = bore.face.axes, float(bore.rim.mean[2])
    foot = place(bore, bore.rim.mean[:2])
    if not settings.hole_min_mm / 2 < r < 16.0:
        return None
    local = (cloud.near(foot + 40.0 * axes[2], 60.0) - foot) @ axes.T
    rho = np.hypot(local[:, 0], local[:, 1])
    shaft = local[(local[:, 2] > 2.5) & (local[:, 2] < 90.0) & (rho < r + 1.5) & (rho > 0.4 * r)]
    top = _top(shaft[:, 2])
    if not 5.0 < top < 80.0 or cover(shaft[:, :2], np.zeros(2), 0.0, np.inf) < 0.5:
        return None
    body = shaft[shaft[:, 2] < top - 1.0]
    body = body[:: max(1, len(body) // 600)]
    try:
        fit = fit_cylinder(body, [0.0, 0.0, 1.0], [0.0, 0.0, 0.0], 0.9 * r, robust=True)
    except DataError:
        return None
    axis = fit.axis * np.sign(fit.axis[2])
    near = np.abs(fit.residuals) < max(4 * cloud.sigma, 0.3)
    arc = cover(body[near][:, :2], fit.point[:2], 0.0, 2 * r)
    rms = float(np.sqrt((fit.residuals[near] ** 2).mean()))
    clear = near.mean() > 0.7 and arc > 0.6 and rms < max(1.8 * cloud.sigma, 0.15)
    if axis[2] < 0.985 or not clear or 2 * fit.radius < settings.hole_min_mm:
        return None
    lift = -float(fit.point[2] / axis[2])
    at = fit.point + axis * lift
    cov = propagate(fit.jacobian[near], body[near], noise)
    ways = axes.T @ fit.axes[:2].T
    reach = np.hstack([np.eye(2), lift * np.sign(fit.axis[2]) * np.eye(2), np.zeros((2, 1))])
    height = in_face(bore, np.zeros((2, 2)), noise)
    return Feature(
        kind="stud",
        point=foot + axes.T @ at,
        axis=axes.T @ axis,
        diameter=2 * fit.radius,
        length=top,
        cov=ways @ reach @ cov @ reach.T @ ways.T + height,
        cov_axis=ways @ cov[2:4, 2:4] @ ways.T,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=cloud.clean.spacing_mm / 2,
        arc_deg=round(360 * arc),
        n=int(near.sum()),
        rms=rms,
        plane=bore.face.patch,
    )


def _top(heights: Array, step: float = 3.0) -> float:
    """Where the points above the face thin out: top of the unbroken run of busy bins from the face, mm."""
    if len(heights) < 20:
        return 0.0
    bins = np.bincount((heights / step).astype(int), minlength=2)[1:]
    busy = bins > 0.3 * np.median(bins[bins > 0])
    run = len(bins) if busy.all() else int(np.argmin(busy))
    inside = heights[heights < (run + 1) * step]
    return float(np.quantile(inside, 0.99)) if run else 0.0


def _coaxial(a: Feature, b: Feature) -> tuple[float, float]:
    """Distance in mm across and along a's axis from a to b."""
    d = b.point - a.point
    along = float(d @ a.axis)
    return float(np.linalg.norm(d - along * a.axis)), along


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


def _both_faces(found: list[Feature]) -> list[Feature]:
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
            if -SHEET_MM < along < -0.5 and across < min(best_across, 0.25 * a.diameter):
                best, best_across = j, across
        used.add(best)
        merged.append(a if best < 0 else _sheet(a, found[best]))
    return merged


def _sheet(a: Feature, b: Feature) -> Feature:
    across, along = _coaxial(a, b)
    thickness = abs(along)
    u = float(np.sqrt(a.axis @ (a.cov + b.cov) @ a.axis))
    detail = dict(a.detail) | {"other_diameter_mm": round(b.diameter, 4), "offset_mm": round(across, 4)}
    ends = np.array([a.point, b.point])
    if a.kind == "slot":
        detail |= {"thickness_mm": round(thickness, 4), "u_thickness_mm": round(u, 4)}
        return replace(a, ends=ends, detail=detail)
    return replace(a, length=thickness, u_length=u, ends=ends, detail=detail)
