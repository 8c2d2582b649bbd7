"""Studs: round shafts that stand on a flat face, found by the empty disc at their foot or as short tubes."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.raster import cover
from barerail.records import Array, Feature, NoiseModel, Plane
from barerail.stages.fit.bores import STUD_MM, Bore, in_face, place
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused import MESH_EDGE, MESH_SHEET_EDGE, SHEET_VOXELS
from barerail.stages.fit.fused_round import ALL_ROUND, THIN_SHAFT, all_round, fused_cov, fused_lean, shaft_width

LONGEST = 90.0
"""Longest stud, mm (judgement)."""
THINNEST_MM = 3.0
"""Thinnest stud, mm (judgement): a thread reads as its mean diameter, M4 as some 3.5."""
FLANK, ROUGH = 0.05, 0.034
"""How far a coarse thread's flanks lie off its mean diameter, and their rms, as shares of that: M6 to M12, 0.613
pitches high (ISO 68-1 and 261, from memory)."""
FORM = 0.5
"""Share of that rms that patches of a few mm may differ by (judgement)."""
SQUARE = np.cos(np.radians(6.0))
"""How square a stud stands on its face (judgement)."""
SHAFT_DEG = 216.0
"""Arc in degrees over which a stud's shaft must be seen (judgement)."""
FOOT_MM = 8.0
"""How far above a tube the lowest point of a stud's shaft may be seen, mm: a weld hides its foot (judgement)."""


def stud_in(bore: Bore, cloud: Cloud, noise: NoiseModel) -> Feature | None:
    """The stud that stands in a bore: its axis where it meets the face. None for a tube's foot or anything else."""
    axes, r = bore.face.axes, float(bore.rim.mean[2])
    foot = place(bore, bore.rim.mean[:2])
    if not THINNEST_MM / 2 < r < STUD_MM / 2:
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
    near = on_shaft(fit, cloud)
    diameter = shaft_width(2 * fit.radius, cloud.voxel_mm)
    if axis[2] < SQUARE or near.mean() <= 0.7 or diameter < THINNEST_MM:
        return None
    arc = cover(body[near][:, :2], fit.point[:2], 0.0, 2 * r)
    rms = float(np.sqrt((fit.residuals[near] ** 2).mean()))
    if (
        360 * arc <= SHAFT_DEG
        or not all_round(2 * fit.radius, 360 * arc, cloud.voxel_mm, THIN_SHAFT)
        or not is_smooth(fit, near, body[near], 360 * arc, cloud)
    ):
        return None
    if _faces_inward(cloud, foot + top / 2 * axes[2], axes[2], fit.radius):
        return None
    lift = -float(fit.point[2] / axis[2])
    at = fit.point + axis * lift
    cov = shaft_cov(fit, near, body[near], noise, cloud)
    ways = axes.T @ fit.axes[:2].T
    reach = np.hstack([np.eye(2), lift * np.sign(fit.axis[2]) * np.eye(2), np.zeros((2, 1))])
    lean = fused_lean(cloud.voxel_mm, fit.radius, top)
    height = in_face(bore, np.zeros((2, 2)), noise)
    return Feature(
        kind="stud",
        point=foot + axes.T @ at,
        axis=axes.T @ axis,
        diameter=diameter,
        length=top,
        cov=ways @ reach @ cov @ reach.T @ ways.T + height,
        cov_axis=ways @ (cov[2:4, 2:4] + lean * np.eye(2)) @ ways.T,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=cloud.clean.spacing_mm / 2,
        arc_deg=round(360 * arc),
        n=int(near.sum()),
        rms=rms,
        plane=bore.face.patch,
        note=thread_note(rms, cloud),
    )


def on_shaft(fit: CylinderFit, cloud: Cloud) -> NDArray[np.bool_]:
    """Which points lie on a shaft's cylinder or a thread's flanks about it; fusing smooths those away."""
    flank = 0.0 if cloud.mesh else FLANK * 2 * fit.radius
    return np.abs(fit.residuals) < max(4 * cloud.sigma, 0.35 * cloud.voxel_mm, 0.3, flank)


def thread_note(rms: float, cloud: Cloud) -> str:
    """What is said of a shaft that is rougher than the scan; nothing in a mesh, where all that is thin is."""
    return "" if cloud.mesh or rms < 1.5 * cloud.sigma else "rough, as a thread is: the diameter is its mean"


def is_smooth(fit: CylinderFit, on: NDArray[np.bool_], points: Array, arc_deg: float, cloud: Cloud) -> bool:
    """Whether what points on a shaft (n, 3) scatter by is noise, or in a cloud a thread's flanks, seen all round: those
    cancel over a few mm, where the faces of an edge or a weld do not."""
    rms = float(np.sqrt(np.mean(fit.residuals[on] ** 2)))
    if cloud.mesh:
        return rms < cloud.roughest(1.5)
    flanks = float(np.hypot(1.5 * cloud.sigma, ROUGH * 2 * fit.radius))
    thread = rms < flanks and arc_deg > ALL_ROUND and _form(fit, on, points) < FORM * rms
    return rms < 1.5 * cloud.sigma or thread


def _form(fit: CylinderFit, on: NDArray[np.bool_], points: Array, step: float = 5.0, sectors: int = 16) -> float:
    """Rms in mm of the mean residuals of patches of a shaft, `step` mm long, less what chance makes of them."""
    local = (points - fit.point) @ fit.axes.T
    turn = np.floor(np.arctan2(local[:, 1], local[:, 0]) / (2 * np.pi) * sectors).astype(int) % sectors
    patch = np.floor((local[:, 2] - local[:, 2].min()) / step).astype(int) * sectors + turn
    count, residuals = np.bincount(patch), fit.residuals[on]
    some = np.flatnonzero(count)
    mean = np.bincount(patch, residuals)[some] / count[some]
    beyond = float(np.mean(mean**2 - np.mean(residuals**2) / count[some]))
    return float(np.sqrt(max(beyond, 0.0)))


def shaft_cov(fit: CylinderFit, on: NDArray[np.bool_], points: Array, noise: NoiseModel, cloud: Cloud) -> Array:
    """Covariance (5, 5) of a shaft's cylinder: noise, fusing, and in a cloud what a thread scatters by beyond that."""
    jacobian = fit.jacobian[on]
    cov = propagate(jacobian, points, noise) + fused_cov(cloud.voxel_mm, fit.radius)
    beyond = 0.0 if cloud.mesh else float(np.mean(fit.residuals[on] ** 2)) - noise.sigma_mm**2
    return np.asarray(cov + max(beyond, 0.0) * np.linalg.inv(jacobian.T @ jacobian), float)


def _faces_inward(cloud: Cloud, middle: Array, axis: Array, radius: float) -> bool:
    """Whether what stands round an axis is the inside of a bore rather than a shaft; False where normals can't say."""
    surface = cloud.surface
    rows = np.asarray(cloud.tree.query_ball_point(middle, radius + 8.0, return_sorted=True), np.int64)
    d = surface.points[rows] - middle
    radial = d - np.outer(d @ axis, axis)
    rho = np.linalg.norm(radial, axis=1)
    side = np.abs(rho - radius) < 1.0
    turn = np.einsum("ij,ij->i", radial[side], surface.normals[rows[side]])
    return bool(side.any() and np.median(turn) < 0)


def _top(heights: Array, step: float = 3.0) -> float:
    """Where the points above the face thin out: top of the unbroken run of busy bins from the face, mm."""
    if len(heights) < 20:
        return 0.0
    bins = np.bincount((heights / step).astype(int), minlength=2)[1:]
    busy = bins > 0.3 * np.median(bins[bins > 0])
    run = len(bins) if busy.all() else int(np.argmin(busy))
    inside = heights[heights < (run + 1) * step]
    return float(np.quantile(inside, 0.99)) if run else 0.0


def shafts_on_faces(
    tubes: list[Feature], planes: tuple[Plane, ...], voxel: float
) -> tuple[list[Feature], list[Feature]]:
    """Short tubes that stand square on a flat face, whose foot no empty disc has given away, as studs; and the rest.

    voxel: edge in mm of those that a mesh was fused in, 0 of a cloud.
    """
    studs, rest = [], []
    for t in tubes:
        short = t.diameter < STUD_MM and t.length < LONGEST and t.detail.get("facing", 1.0) > 0
        short &= all_round(t.diameter, t.arc_deg, voxel, THIN_SHAFT)
        seats = [s for k in range(len(planes)) if (s := _stands_on(t, planes, k, voxel)) is not None] if short else []
        studs += seats[:1]
        rest += [] if seats else [t]
    return rest, studs


def _stands_on(tube: Feature, planes: tuple[Plane, ...], k: int, voxel: float) -> Feature | None:
    """The stud a short tube is on a face, or None where it does not end there square and on the outer side."""
    plane = planes[k]
    square = float(tube.axis @ plane.normal)
    if abs(square) < SQUARE:
        return None
    axis = tube.axis * np.sign(square)
    height = float((tube.point - plane.centre) @ plane.normal) / abs(square)
    seat = tube.point - height * axis
    beside = np.abs(plane.axes[:2] @ (seat - plane.centre)) > np.array(plane.extent) / 2
    if beside.any() or not -1.0 < height - tube.length / 2 < FOOT_MM:
        return None
    pushed = MESH_SHEET_EDGE[3] if _is_sheet(seat, plane, planes, voxel) else MESH_EDGE[3]
    across, up = np.eye(3) - np.outer(axis, axis), float(plane.cov[0, 0] + (pushed * voxel) ** 2)
    return replace(
        tube,
        kind="stud",
        point=seat,
        axis=axis,
        length=height + tube.length / 2,
        diameter=shaft_width(tube.diameter, voxel),
        cov=across @ (tube.cov + height**2 * tube.cov_axis) @ across + up * np.outer(axis, axis),
        u_length=tube.u_length,
        plane=k,
        ends=np.zeros((0, 3)),
        detail={},
    )


def _is_sheet(at: Array, plane: Plane, planes: tuple[Plane, ...], voxel: float) -> bool:
    """Whether a face has another one so close behind it, at a place (3,), that each disturbs the other in a mesh."""
    return any(
        plane.normal @ p.normal < -SQUARE
        and 0 < (at - p.centre) @ plane.normal < SHEET_VOXELS * voxel
        and (np.abs(p.axes[:2] @ (at - p.centre)) < np.array(p.extent) / 2).all()
        for p in planes
    )
