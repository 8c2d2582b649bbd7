"""Round tubes, each fitted geometrically on full-resolution points (Shakarji 1998, robust)."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.forked import mapped
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.records import Array, Feature, NoiseModel
from barerail.settings import FitSettings
from barerail.stages.fit.cloud import FUSED_FORM, Cloud
from barerail.stages.fit.cylinders import (
    GAP_MM,
    LEAST_ARC,
    arc_of,
    band_of,
    curved_part,
    first_cylinders,
    skin_of,
)
from barerail.stages.fit.fused_round import fused_cov, fused_lean
from barerail.stages.fit.patches import Patch
from barerail.stages.fit.surface import Surface
from barerail.stages.fit.tube_runs import STEP_MM, gap_between, mostly_skin, skin_run
from barerail.stages.fit.tube_studs import studs_on

MOST_POINTS = 3000
LOST_MM, LOST = 120.0, 1.25
"""Longest piece of a tube that a scan may have lost, in mm and in lengths of the shorter piece (judgement)."""
LONG = 6.0
"""Length in diameters from which a tube's centreline is looked at for wander (judgement)."""
SLOPE = 6.0
"""Variance of a long tube's direction, in that of its wander over its length squared: 12 would be all of it hanging
together as a slope does; half of that fits the errors on simulated frames that are bent."""
BEND_PER_MM = 1 / 3000
"""Curvature of a centreline beyond which a tube is a bend or a hose, 1 / mm: 0.4 mm of sag over 100 mm is 1 / 3000."""


def rounds_of(cloud: Cloud, patches: tuple[Patch, ...], settings: FitSettings) -> tuple[Cloud, list[CylinderFit]]:
    """The cloud's curved part, and one first cylinder on each round thing in it."""
    curved = curved_part(cloud.surface, patches)
    return replace(cloud, surface=curved), first_cylinders(curved, settings)


def tubes_of(
    round_only: Cloud, fits: list[CylinderFit], noise: NoiseModel, settings: FitSettings, studs: list[Feature]
) -> tuple[list[Feature], list[Feature]]:
    """All straight round tubes and sleeves seen over more than LEAST_ARC of their curved surface, longest first, and
    the studs that stand on them."""

    def tube_about(axis: Array, point: Array, radius: float, gap: float = GAP_MM) -> Feature | None:
        return _tube(round_only, axis, point, radius, gap, noise, settings)

    tubes = mapped(lambda start: tube_about(start.axis, start.point, start.radius), fits)
    found = [tube for tube in tubes if tube is not None]
    found.sort(key=lambda t: -t.length)
    found = _distinct(found, [])
    found = _distinct([_whole(tube, found, tube_about) for tube in found], [])
    on_tubes = studs_on(found, round_only.surface, round_only, noise)
    return _distinct(found, studs + on_tubes), on_tubes


def _tube(
    cloud: Cloud, axis: Array, point: Array, radius: float, gap: float, noise: NoiseModel, settings: FitSettings
) -> Feature | None:
    """The tube about a start: its run seen but for gaps, fitted on full-resolution points; None where it is too little
    of one."""
    for _ in range(2):
        inner, low, high = skin_run(cloud.surface, axis, point, radius, gap)
        if high - low < max(0.5 * radius, 15.0):
            return None
        points = cloud.points(inner)
        points = points[:: max(1, len(points) // MOST_POINTS)]
        try:
            fit = fit_cylinder(points, axis, point, radius, robust=True)
        except DataError:
            return None
        axis, point, radius = fit.axis * np.sign(fit.axis @ axis), fit.point, fit.radius
    seen = (cloud.surface.points[inner] - point) @ axis
    if facing(cloud.surface, fit) > 0 and not mostly_skin(seen, low, high):
        return None
    return _feature(cloud, fit, points, noise, settings)


SQUARE = 1 / 3
"""Share of the sectors seen that must end together for a cut end: the rest may be hidden there (judgement)."""


def _whole(tube: Feature, found: list[Feature], tube_about: Callable[..., Feature | None]) -> Feature:
    """The tube with what of `found` goes on in its line beyond a gap, fitted anew; as it was where nothing does, or
    where that would take in what doesn't."""
    gaps = np.array([gap_between(tube, other) for other in found])
    mine = gaps < [min(LOST_MM, LOST * min(tube.length, other.length)) for other in found]
    lost = float(gaps[mine].max(initial=0.0))
    one = tube_about(tube.axis, tube.point, tube.diameter / 2, lost + 2 * STEP_MM) if lost else None
    others = (other for other, its in zip(found, mine, strict=True) if not its and other is not tube)
    if one is None or any(_inside(other, one) for other in others):
        return tube
    return replace(one, note=f"seen in pieces: up to {lost:.0f} mm between them not seen")


def _feature(cloud: Cloud, fit: CylinderFit, points: Array, noise: NoiseModel, settings: FitSettings) -> Feature | None:
    sigma = cloud.sigma
    on = np.abs(fit.residuals) < max(4 * sigma, 0.4)
    local = (points[on] - fit.point) @ fit.axes.T
    arc = arc_of(local[:, :2])
    spread = float(np.sqrt((fit.residuals[on] ** 2).mean()))
    low, high = np.quantile(local[:, 2], [0.005, 0.995])
    in_range = settings.tube_min_mm / 2 <= fit.radius <= settings.tube_max_mm / 2
    roughest = cloud.roughest(1.3 if high - low < 6 * fit.radius else 1.45)
    flank = float(np.degrees(np.arccos(1 - band_of(cloud.surface, fit.radius) / fit.radius)))
    if arc < LEAST_ARC + 2 * flank or on.mean() < 0.6 or not in_range:
        return None
    change, curvature, least, left = _bow(fit, local, on)
    fused = 24 * FUSED_FORM * cloud.voxel_mm / (high - low) ** 2
    if left > roughest or least > BEND_PER_MM + fused:
        return None
    cov = propagate(fit.jacobian[on], local, noise) + fused_cov(cloud.voxel_mm, fit.radius)
    cov[2:, 2:] += np.outer(change[2:], change[2:])
    middle = (low + high) / 2
    lift = np.eye(2, 5)
    lift[:, 2:4] = middle * np.eye(2)
    sag = curvature * (high - low) ** 2 / 24
    form = _form(fit, local, on)
    across = lift @ cov @ lift.T + max(form, sag**2) * np.eye(2)
    flat = fit.axes[:2].T
    along = float(cloud.clean.spacing_mm / 2 + 1.0)
    ends = fit.point + np.outer([low, high], fit.axis)
    lean = fused_lean(cloud.voxel_mm, fit.radius, float(high - low)) + SLOPE * form / (high - low) ** 2
    return Feature(
        kind="tube",
        point=fit.point + middle * fit.axis,
        axis=fit.axis,
        diameter=2 * fit.radius,
        length=float(high - low),
        cov=flat @ across @ flat.T + along**2 * np.outer(fit.axis, fit.axis),
        cov_axis=flat @ (cov[2:4, 2:4] + lean * np.eye(2)) @ flat.T,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=2 * along,
        arc_deg=round(arc),
        n=int(on.sum()),
        rms=spread,
        ends=ends,
        detail={
            "facing": facing(cloud.surface, fit),
            "bowed": float(least > BEND_PER_MM),
            **_open_ends(local, arc),
        },
    )


def _open_ends(local: Array, arc: float, sectors: int = 24) -> dict[str, float]:
    """Which ends, low and high, of points local (n, 3), axis last, aren't square, 1 each: an edge cut across ends most
    sectors alike, where the scan merely stops they end anyhow. SQUARE of those seen, within about one spacing, will do.
    """
    length = float(np.ptp(local[:, 2]))
    spacing = float(np.sqrt(np.radians(arc) * np.hypot(*local[:, :2].T).mean() * length / len(local)))
    near = max(spacing, 0.005 * length)
    sector = ((np.arctan2(local[:, 1], local[:, 0]) + np.pi) / (2 * np.pi) * sectors).astype(int) % sectors
    out = {}
    for name, along in (("low_open", -local[:, 2]), ("high_open", local[:, 2])):
        last = np.full(sectors, -np.inf)
        np.maximum.at(last, sector, along)
        last = last[np.isfinite(last)]
        out[name] = float((np.abs(last - np.quantile(along, 0.995)) < near).mean() < SQUARE)
    return out


def _form(fit: CylinderFit, local: Array, on: NDArray[np.bool_], blocks: int = 8) -> float:
    """Variance in mm2, per axis, of the centreline's own wander about the straight one, by blocks along a long tube.

    What the scan shows of a long tube is never straight: welding and the scanner's drift bend it.
    """
    if np.ptp(local[:, 2]) < LONG * 2 * fit.radius:
        return 0.0
    edges = np.quantile(local[:, 2], np.linspace(0, 1, blocks + 1)[1:-1])
    block, residuals = np.searchsorted(edges, local[:, 2]), fit.residuals[on]
    away = local[:, :2] / np.maximum(np.hypot(*local[:, :2].T), 1e-9)[:, None]
    off = [np.linalg.lstsq(away[block == k], residuals[block == k], rcond=None)[0] for k in range(blocks)]
    return float(np.mean(np.square(off)))


def _bow(fit: CylinderFit, local: Array, on: NDArray[np.bool_]) -> tuple[Array, float, float, float]:
    """By what a curved centreline would change the fit (5,), its curvature per mm, that less three times what white
    residuals would let it seem, and the rms in mm that is left then."""
    square = (local[:, 2] - local[:, 2].mean()) ** 2
    away = local[:, :2] / np.maximum(np.hypot(*local[:, :2].T), 1e-9)[:, None]
    design = np.column_stack([fit.jacobian[on], 0.5 * square[:, None] * away])
    x = np.linalg.lstsq(design, fit.residuals[on], rcond=None)[0]
    left = float(np.sqrt(np.mean((fit.residuals[on] - design @ x) ** 2)))
    u = left * np.sqrt(np.diag(np.linalg.inv(design.T @ design))[-2:].sum())
    curvature = float(np.hypot(*x[5:]))
    return x[:5], curvature, float(curvature - 3 * u), left


def facing(surface: Surface, fit: CylinderFit) -> float:
    """1 for an outside, -1 for a bore, from the surface's outward normals."""
    rows = skin_of(surface, fit.axis, fit.point, fit.radius)
    d = surface.points[rows] - fit.point
    radial = d - (d @ fit.axis)[:, None] * fit.axis
    return 1.0 if np.median(np.einsum("ij,ij->i", radial, surface.normals[rows])) > 0 else -1.0


def _distinct(found: list[Feature], studs: list[Feature]) -> list[Feature]:
    kept: list[Feature] = []
    for f in found:
        if not any(_is_stud(f, s) for s in studs) and not any(_inside(f, k) for k in kept):
            kept.append(f)
    return kept


def _is_stud(f: Feature, stud: Feature) -> bool:
    """True where a short tube is the shaft of a stud that was found as such."""
    d = f.point - stud.point
    beside = np.linalg.norm(np.cross(d, stud.axis)) < stud.diameter / 2 and f.length < 100.0
    return bool(beside and -10.0 < d @ stud.axis < stud.length + 10.0 and f.diameter < 1.5 * stud.diameter)


def _inside(f: Feature, k: Feature) -> bool:
    """True where f is a piece of k: the same axis and radius, its middle between k's ends."""
    d = f.point - k.point
    across = np.linalg.norm(d - (d @ k.axis) * k.axis)
    same = abs(f.axis @ k.axis) > np.cos(np.radians(5)) and abs(f.diameter - k.diameter) < 0.2 * k.diameter
    return bool(same and across < 0.25 * k.diameter and abs(float(d @ k.axis)) < k.length / 2 + 5)
