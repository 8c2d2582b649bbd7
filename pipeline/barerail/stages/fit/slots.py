"""Slots: a bore whose rim is a stadium rather than a circle."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.frames import unit
from barerail.geometry.mesh_rim import fit_mesh_rim
from barerail.geometry.rim import DRAWS, ROUGH, Rim, RimPoints, fit_rim, log_likelihood, stadium, stadium_area
from barerail.records import Array, Feature, NoiseModel
from barerail.stages.fit.bores import OPEN_DEG, STANDS, Bore
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.heights import height_variance
from barerail.stages.fit.rims import slot_together
from barerail.stages.fit.tilts import tilt_at

LEAST_GAIN = 25.0
"""Log likelihood by which a slot must fit better than the round hole (two numbers more; judgement)."""
WORN, MESH_FLANK = 0.125, 0.25
"""By how much each flank of a slot in a fused mesh is worn back, in voxels, and standard uncertainty of that: 0.26 and
0.18 at 47 slots of simulated scans, less elsewhere; half of it is taken off. The ends read as they are."""
LEAST_ARC, MESH_LEAST_ARC = 300, 335
"""Degrees of the rim that must be seen; in a fused mesh an end that frames didn't clear closes in, and the slot reads
up to two voxels too short and aside at 309 degrees (simulated scans; those read well show 341 or more, a gap 330)."""
UNSURE = "longer than round, but too little is seen of it to be a slot"
Found = tuple[Rim, bool]
"""A rim that is a slot's, and whether its wall is seen round both ends."""


def as_slot(bore: Bore, cloud: Cloud, noise: NoiseModel) -> tuple[Feature | None, str]:
    """The slot about a bore, or None where its empty place is no longer than wide, or not seen well enough to be told:
    then the reason says so, and it is no round hole either."""
    face, r = bore.face, float(bore.rim.mean[2])
    middle = face.centre + face.axes.T @ np.array([*bore.rim.mean[:2], bore.height])
    local = (cloud.near(middle, 6 * r + 10.0) - middle) @ face.axes.T
    on = local[np.abs(local[:, 2]) < face.tolerance, :2]
    start = _start(on, r)
    found = None if start is None else (_fused if cloud.mesh else _sampled)(bore, start, middle, local, on, cloud)
    if found is None:
        return None, ""
    rim, walled = found
    edge = stadium(rim.mean[None], on)[0]
    arc = 360 * _closed(rim, on[(edge > -0.5) & (edge < 2 * cloud.clean.spacing_mm)], cloud.clean.spacing_mm)
    least = MESH_LEAST_ARC if cloud.mesh else LEAST_ARC
    if not walled or arc < least or 2 * rim.mean[4] < 3.5 * cloud.clean.spacing_mm:
        return None, UNSURE
    if _filled(rim, local, cloud.clean.spacing_mm):
        return None, ""
    n = rim.n_wall + int((edge < 3 * cloud.clean.spacing_mm).sum())
    return _feature(bore, cloud, rim, noise, round(arc), n, middle), ""


def _closed(rim: Rim, on: Array, spacing: float) -> float:
    """Share of the rim beside which points on (n, 2) of the face lie, by pieces two spacings long: shorter ones chance
    alone leaves empty."""
    _, _, angle, half, width = rim.mean
    turned = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    along, across = ((on - rim.mean[:2]) @ turned.T).T
    round_end = width * np.arctan2(np.maximum(np.abs(along) - half, 0.0), np.abs(across))
    quarter = half + width * np.pi / 2
    run = np.minimum(np.abs(along), half) + round_end
    place = np.where(along * across > 0, run, quarter - run) + quarter * (2 * (along < 0) + (along * across < 0))
    pieces = max(8, int(2 * quarter / spacing))
    return len(np.unique((place / (4 * quarter) * pieces).astype(int) % pieces)) / pieces


def _filled(rim: Rim, local: Array, spacing: float) -> bool:
    """Whether something stands in the stadium before its face, as a bush does that is welded along it."""
    inside = stadium(rim.mean[None], local[:, :2])[0] < -0.5
    standing = (inside & (local[:, 2] > 2.5) & (local[:, 2] < 20.0)).sum()
    return bool(standing * spacing**2 > STANDS * stadium_area(rim.mean[None])[0])


def _fused(bore: Bore, start: Array, middle: Array, local: Array, on: Array, cloud: Cloud) -> Found | None:
    """The rim in a fused mesh, from sections under the face; None where a circle does nearly as well."""
    r, voxel = float(bore.rim.mean[2]), cloud.voxel_mm
    points, triangles = cloud.triangles(middle, float(np.hypot(*start[:2])) + start[3] + start[4] + 3 * voxel + 3.0)
    rim = fit_mesh_rim((points - middle) @ bore.face.axes.T, triangles, start, voxel, stadium)
    if rim is None or rim.mean[3] < 0.5 * rim.mean[4] or rim.mean[4] < 0.75 * r or rim.misfit > 3:
        return None
    if rim.cov[3, 3] > voxel**2:
        return None
    if not _better(rim, bore):
        return None
    wall = local[_down_the_wall(local, rim.mean, cloud.sigma, bore.floor)][:, :2]
    if not _walled(rim, wall, _density(stadium(rim.mean[None], on)[0], rim.mean, voxel), bore.floor, 0.4, 0.6):
        return None
    x, y, *_ = bore.edge
    cov = rim.cov + np.diag([x, y, y / rim.mean[3], x, MESH_FLANK * voxel]) ** 2
    return replace(rim, mean=rim.mean + WORN * voxel * np.array([0, 0, 0, 1, -1]), cov=cov), True


def _better(rim: Rim, bore: Bore) -> bool:
    """Whether a slot fits sections of a mesh clearly better than the circle, which is none where too much of its rim is
    open: one end of a slot fits it nearly as well as the whole does the slot."""
    gain = rim.n_wall * np.log(max(bore.rim.wall_rms / max(rim.wall_rms, 1e-9), 1.0))
    return bool(gain >= LEAST_GAIN / 2 or bore.gap > OPEN_DEG)


def _sampled(bore: Bore, start: Array, middle: Array, local: Array, on: Array, cloud: Cloud) -> Found | None:
    """The rim in a cloud of points, from how they fall about it; None where a circle does nearly as well."""
    r, spacing = float(bore.rim.mean[2]), cloud.clean.spacing_mm
    wide = np.array([1.2 * spacing, 1.2 * spacing, 0.12, 1.2 * spacing, spacing])
    for draws in (ROUGH, DRAWS[5]):
        wall = local[_down_the_wall(local, start, cloud.sigma, bore.floor)][:, :2]
        edge = stadium(start[None], on)[0]
        density, noise_mm = _density(edge, start, spacing), max(cloud.sigma, 0.05)
        points = RimPoints(on[edge < 3 * spacing], wall, density, noise_mm, 0.15)
        rim = fit_rim(points, start, wide, stadium, stadium_area, draws)
        start, wide = rim.mean, np.maximum(3 * np.sqrt(np.diag(rim.cov)), [0.3, 0.3, 0.01, 0.3, 0.3])
        gain = log_likelihood(np.vstack([rim.mean, [0.0, 0.0, 0.0, 0.0, r]]), points, stadium, stadium_area)
        if gain[0] - gain[1] < LEAST_GAIN * (0.2 if draws == ROUGH else 1.0):
            return None
    if not _is_slot(rim, points.noise, r):
        return None
    return rim, _walled(rim, points.wall, points.density, bore.floor, 0.25, 0.0)


def _is_slot(rim: Rim, noise: float, r: float) -> bool:
    """True where the stadium is clearly longer than wide and as wide as the bore, and what wall is seen lies on it."""
    half, width = float(rim.mean[3]), float(rim.mean[4])
    return half / width > 0.2 and width > 0.7 * r and rim.wall_rms < 1.5 * noise and rim.misfit <= 3


def _walled(rim: Rim, wall: Array, density: float, floor: float, seen: float, past: float) -> bool:
    """Whether wall points (n, 2) make up more than the share `seen` of the wall, some of them round either end.

    past: how far round, in radii beyond the straight part; what stands less far may be flank where the end is torn.
    """
    half, width = float(rim.mean[3]), float(rim.mean[4])
    along = (wall - rim.mean[:2]) @ np.array([np.cos(rim.mean[2]), np.sin(rim.mean[2])])
    ends = min((along > half + past * width).sum(), (along < -half - past * width).sum())
    near = (np.abs(stadium(rim.mean[None], wall)[0]) < 1.0).sum()
    share = near / (density * (2 * np.pi * width + 4 * half) * (-floor - 0.5))
    return bool(ends >= 2 and near >= 6 and share > seen)


def _down_the_wall(local: Array, slot: Array, noise: float, floor: float) -> NDArray[np.bool_]:
    """Which points (n, 3) of the face's frame lie near the wall of the stadium (5,) under it, down to z = floor."""
    off = stadium(slot[None], local[:, :2])[0]
    return (local[:, 2] < -0.5) & (local[:, 2] > floor) & (np.abs(off) < max(1.0, 4 * noise))


def _start(on: Array, r: float) -> Array | None:
    """Stadium (x, y, direction, half length, r) about the origin: the direction in which the emptiness goes on."""
    best = (0.0, 0.0, 0.0)
    for angle in np.linspace(0, np.pi, 36, endpoint=False):
        u = np.array([np.cos(angle), np.sin(angle)])
        ahead, back = (_run(on, u * side, 0.8 * r) for side in (1.0, -1.0))
        best = max(best, (ahead + back, angle, ahead - back))
    length, angle, shift = best
    if length < 0.5 * r or length > 12 * r:
        return None
    u = np.array([np.cos(angle), np.sin(angle)])
    return np.array([*(0.5 * shift * u), angle, 0.5 * length, r])


def _run(on: Array, direction: Array, r: float) -> float:
    """How far a disc of radius r can be pushed along `direction` from the origin before it meets a point, mm."""
    along = on @ direction
    across = np.abs(on @ np.array([-direction[1], direction[0]]))
    hit = (across < r) & (along > 0)
    stop = along[hit] - np.sqrt(r**2 - across[hit] ** 2)
    return float(max(stop.min(), 0.0)) if hit.any() else 0.0


def _density(edge: Array, slot: Array, spacing: float) -> float:
    """Face points per mm2 in a band about the stadium (5,), from their distances outside it (n,)."""
    outer, inner = (stadium_area(slot[None] + [0, 0, 0, 0, k * spacing])[0] for k in (3.0, 0.5))
    band = (edge > 0.5 * spacing) & (edge < 3 * spacing)
    return float(max(band.sum() / (outer - inner), 0.3 / spacing**2))


def _feature(bore: Bore, cloud: Cloud, rim: Rim, noise: NoiseModel, arc: float, n: int, middle: Array) -> Feature:
    axes, mean, cov = bore.face.axes, rim.mean, rim.cov + slot_together(noise, rim.mean)
    local = np.zeros((3, 3))
    local[:2, :2] = cov[:2, :2]
    local[2, 2] = height_variance(bore.ring, noise) + bore.edge[3] ** 2
    total = np.array([0.0, 0.0, 0.0, 2.0, 2.0])
    axis, cov_axis = tilt_at(cloud, bore.face, bore.rim.mean[:2] + mean[:2], noise, bore.edge[4])
    along = axes.T @ np.array([np.cos(mean[2]), np.sin(mean[2]), 0.0])
    return Feature(
        kind="slot",
        point=middle + axes.T @ np.array([*mean[:2], 0.0]),
        axis=axis,
        diameter=float(2 * mean[4]),
        length=float(2 * (mean[3] + mean[4])),
        cov=axes.T @ local @ axes,
        cov_axis=cov_axis,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=float(np.sqrt(total @ cov @ total)),
        arc_deg=arc,
        n=n,
        rms=rim.wall_rms,
        along=unit(along - (along @ axis) * axis),
        plane=bore.face.patch,
    )
