"""Round tubes and sleeves: pieces of the surface whose local curvature agrees on one axis and radius.

Local axis and radius come from the shape operator of each point's neighbourhood; neighbours that agree are joined,
and each piece is fitted geometrically on full-resolution points (Shakarji 1998, robust).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import CylinderFit, axis_from_normals, fit_cylinder
from barerail.geometry.frames import basis
from barerail.geometry.neighbours import components
from barerail.records import Array, Feature, Index, NoiseModel
from barerail.settings import FitSettings
from barerail.stages.fit.bores import Cloud
from barerail.stages.fit.patches import Patch, Surface

LEAST_ARC = 110.0
"""Degrees; a rounded square corner shows 90, and as much of its flanks as lies within the band of the fit."""
MOST_POINTS = 3000


@dataclass(frozen=True)
class Bend:
    """Local cylinders at rows of the surface: axis (m, 3), centre (m, 3), radius (m,); ok where it looks like one."""

    axis: Array
    centre: Array
    radius: Array
    ok: NDArray[np.bool_]


def tubes_of(
    cloud: Cloud, patches: tuple[Patch, ...], noise: NoiseModel, settings: FitSettings, studs: list[Feature]
) -> list[Feature]:
    """All straight round tubes and sleeves seen over more than LEAST_ARC of their curved surface, longest first.

    Points of flat patches don't count: the rounded corner of a rail is a quarter of a tube and no more.
    """
    loose = np.ones(len(cloud.surface.points), bool)
    for patch in patches:
        loose[patch.grown] = False
    curved = _part(cloud.surface, np.flatnonzero(loose))
    pieces = _pieces(curved, _bend(curved, settings))
    fits = [f for p in pieces if (f := _first_fit(curved, p, settings)) is not None]
    round_only = replace(cloud, surface=curved)
    found = [t for f in _merged(fits) if (t := _tube(round_only, f, noise, settings)) is not None]
    return _distinct(sorted(found, key=lambda t: -t.length), studs)


def _part(surface: Surface, rows: Index) -> Surface:
    """Some rows of a surface, neighbours among themselves."""
    place = np.full(len(surface.points) + 1, -1)
    place[rows] = np.arange(len(rows))
    return replace(
        surface,
        rows=surface.rows[rows],
        points=surface.points[rows],
        normals=surface.normals[rows],
        flat=surface.flat[rows],
        near=place[surface.near[rows]],
    )


def _bend(surface: Surface, settings: FitSettings) -> Bend:
    near = np.maximum(surface.near, 0)
    seen = (surface.near >= 0)[..., None]
    step = np.where(seen, surface.points[near] - surface.points[:, None], 0.0)
    n = surface.normals
    sign = np.sign(np.einsum("mi,mki->mk", n, n[near]))[..., None]
    turn = np.where(seen, n[near] * sign - n[:, None], 0.0)
    u = np.cross(n, np.where(np.abs(n[:, :1]) < 0.8, [[1.0, 0, 0]], [[0, 1.0, 0]]))
    u /= np.linalg.norm(u, axis=1)[:, None]
    plane = np.stack([u, np.cross(n, u)], axis=1)
    p, t = np.einsum("mki,mji->mkj", step, plane), np.einsum("mki,mji->mkj", turn, plane)
    square = np.einsum("mki,mkj->mij", p, p) + 1e-9 * np.eye(2)
    shape = np.einsum("mki,mkj->mij", t, p) @ np.linalg.inv(square)
    value, vector = np.linalg.eigh((shape + shape.transpose(0, 2, 1)) / 2)
    steep = np.argmax(np.abs(value), axis=1)
    rows = np.arange(len(n))
    most, least = value[rows, steep], value[rows, 1 - steep]
    radius = 1.0 / np.where(np.abs(most) < 1e-6, 1e-6, most)
    axis = np.einsum("mj,mji->mi", vector[rows, :, 1 - steep], plane)
    size = np.abs(radius)
    ok = (size > 0.4 * settings.tube_min_mm) & (size < 0.6 * settings.tube_max_mm)
    ok &= np.abs(least) < 0.45 * np.abs(most)
    return Bend(axis, surface.points - n * radius[:, None], size, ok)


def _pieces(surface: Surface, bend: Bend) -> list[Index]:
    """Rows of connected pieces whose neighbours agree on axis and centre, at least 4 cm2 each."""
    a = np.repeat(np.arange(len(surface.points)), surface.near.shape[1])
    b = surface.near.ravel()
    keep = (b >= 0) & bend.ok[a] & bend.ok[b]
    a, b = a[keep], b[keep]
    d = bend.centre[b] - bend.centre[a]
    across = np.linalg.norm(d - np.einsum("ij,ij->i", d, bend.axis[a])[:, None] * bend.axis[a], axis=1)
    radius = (bend.radius[a] + bend.radius[b]) / 2
    agree = np.abs(np.einsum("ij,ij->i", bend.axis[a], bend.axis[b])) > np.cos(np.radians(25))
    agree &= (across < 0.4 * radius) & (np.abs(bend.radius[a] - bend.radius[b]) < 0.4 * radius)
    label = components(len(surface.points), a[agree], b[agree])
    count = np.bincount(label)
    big = np.flatnonzero(count >= max(25, int(400 / surface.cell_area)))
    order = np.argsort(label, kind="stable")
    start = np.searchsorted(label[order], big)
    return [order[s : s + count[k]] for s, k in zip(start, big, strict=True)]


def _first_fit(surface: Surface, rows: Index, settings: FitSettings) -> CylinderFit | None:
    """A robust cylinder through one piece's thinned points, or None where they make none."""
    axis = axis_from_normals(surface.normals[rows])
    if _arc(surface.normals[rows] @ basis(axis)[:2].T) < LEAST_ARC:
        return None
    thin = rows[:: max(1, len(rows) // 300)]
    try:
        fit = fit_cylinder(surface.points[thin], axis, robust=True)
    except DataError:
        return None
    close = np.abs(fit.residuals) < 2 * surface.tolerance
    in_range = settings.tube_min_mm / 2 <= fit.radius <= settings.tube_max_mm / 2
    return fit if in_range and close.mean() > 0.5 else None


def _arc(xy: Array, sectors: int = 36) -> float:
    """Degrees of azimuth about the origin that hold their share of the points xy (n, 2)."""
    turn = np.arctan2(xy[:, 1], xy[:, 0]) % (2 * np.pi)
    count = np.bincount((turn / (2 * np.pi) * sectors).astype(int) % sectors, minlength=sectors)
    return float(360 / sectors * (count > 0.3 * np.median(count[count > 0])).sum())


def _merged(fits: list[CylinderFit]) -> list[CylinderFit]:
    """One start a cylinder: pieces of the same tube, cut by welds or gaps, share axis and radius."""
    kept: list[CylinderFit] = []
    for f in fits:
        if not any(_same(f, k) for k in kept):
            kept.append(f)
    return kept


def _same(f: CylinderFit, k: CylinderFit, reach: float = 400.0) -> bool:
    d = f.point - k.point
    across = np.linalg.norm(d - (d @ k.axis) * k.axis)
    close = across < 0.2 * k.radius + 0.005 * abs(float(d @ k.axis)) and abs(float(d @ k.axis)) < reach
    return bool(close and abs(f.axis @ k.axis) > np.cos(np.radians(4)) and abs(f.radius - k.radius) < 0.15 * k.radius)


def _tube(cloud: Cloud, start: CylinderFit, noise: NoiseModel, settings: FitSettings) -> Feature | None:
    """The tube about a start: its seen run, fitted on full-resolution points; None where it is too little of one."""
    axis, point, radius = start.axis, start.point, start.radius
    for _ in range(2):
        rows = _skin(cloud.surface, axis, point, radius)
        low, high = _run(cloud.surface, rows, axis, point, radius)
        if high - low < max(0.5 * radius, 15.0):
            return None
        along = (cloud.surface.points[rows] - point) @ axis
        inner = rows[(along > low) & (along < high)]
        points = cloud.points(inner)
        points = points[:: max(1, len(points) // MOST_POINTS)]
        try:
            fit = fit_cylinder(points, axis, point, radius, robust=True)
        except DataError:
            return None
        axis, point, radius = fit.axis * np.sign(fit.axis @ axis), fit.point, fit.radius
    return _feature(cloud, fit, points, noise, settings)


def _skin(surface: Surface, axis: Array, point: Array, radius: float) -> Index:
    """Thinned points on the cylinder, facing away from or to its axis."""
    d = surface.points - point
    near = np.flatnonzero(np.abs(d @ axis) < 3000)
    d = d[near]
    radial = d - (d @ axis)[:, None] * axis
    rho = np.linalg.norm(radial, axis=1)
    on = np.abs(rho - radius) < _band(surface, radius)
    facing = np.abs(np.einsum("ij,ij->i", surface.normals[near], radial)) > 0.9 * rho
    return near[on & facing]


def _band(surface: Surface, radius: float) -> float:
    """How far off a cylinder a thinned point may lie, mm."""
    return surface.tolerance + 0.02 * radius


def _run(surface: Surface, rows: Index, axis: Array, point: Array, radius: float) -> tuple[float, float]:
    """Start and end along the axis of the unbroken run about `point` with skin all along, gaps to 60 mm let pass."""
    if len(rows) < 12:
        return 0.0, 0.0
    along = (surface.points[rows] - point) @ axis
    step = 5.0
    bins = np.floor(along / step).astype(int)
    count = np.bincount(bins - bins.min())
    expect = 2 * np.pi * radius * step / surface.cell_area
    busy = np.flatnonzero(count > 0.15 * expect)
    if not len(busy):
        return 0.0, 0.0
    busy = busy + bins.min()
    groups = np.split(busy, np.flatnonzero(np.diff(busy) > 12) + 1)
    best = min(groups, key=lambda g: max(g[0], -g[-1], 0))
    return float(best[0] * step), float((best[-1] + 1) * step)


def _feature(
    cloud: Cloud, fit: CylinderFit, points: Array, noise: NoiseModel, settings: FitSettings
) -> Feature | None:
    sigma = cloud.sigma
    on = np.abs(fit.residuals) < max(4 * sigma, 0.4)
    local = (points[on] - fit.point) @ fit.axes.T
    arc = _arc(local[:, :2])
    spread = float(np.sqrt((fit.residuals[on] ** 2).mean()))
    low, high = np.quantile(local[:, 2], [0.005, 0.995])
    in_range = settings.tube_min_mm / 2 <= fit.radius <= settings.tube_max_mm / 2
    mesh = cloud.clean.scan.triangles is not None
    roughest = max(1.65 * sigma, 0.12, 0.08 * cloud.clean.spacing_mm * mesh)
    flank = float(np.degrees(np.arccos(1 - _band(cloud.surface, fit.radius) / fit.radius)))
    if arc < LEAST_ARC + 2 * flank or on.mean() < 0.6 or spread > roughest or not in_range:
        return None
    cov = propagate(fit.jacobian[on], local, noise)
    middle = (low + high) / 2
    lift = np.eye(2, 5)
    lift[:, 2:4] = middle * np.eye(2)
    u, v = fit.axes[:2]
    flat = np.array([u, v]).T
    along = float(cloud.clean.spacing_mm / 2 + 1.0)
    sign = 1.0 if not cloud.surface.oriented else _facing(cloud.surface, fit)
    ends = fit.point + np.outer([low, high], fit.axis)
    return Feature(
        kind="tube",
        point=fit.point + middle * fit.axis,
        axis=fit.axis,
        diameter=2 * fit.radius,
        length=float(high - low),
        cov=flat @ (lift @ cov @ lift.T) @ flat.T + along**2 * np.outer(fit.axis, fit.axis),
        cov_axis=flat @ cov[2:4, 2:4] @ flat.T,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=2 * along,
        arc_deg=round(arc),
        n=int(on.sum()),
        rms=spread,
        ends=ends,
        detail={"facing": sign},
    )


def _facing(surface: Surface, fit: CylinderFit) -> float:
    """1 for an outside, -1 for a bore, from the surface's outward normals."""
    rows = _skin(surface, fit.axis, fit.point, fit.radius)
    d = surface.points[rows] - fit.point
    radial = d - (d @ fit.axis)[:, None] * fit.axis
    return 1.0 if np.median(np.einsum("ij,ij->i", radial, surface.normals[rows])) > 0 else -1.0


def _distinct(found: list[Feature], studs: list[Feature]) -> list[Feature]:
    kept: list[Feature] = []
    for f in found:
        stud = any(np.linalg.norm(np.cross(f.point - s.point, s.axis)) < s.diameter / 2 for s in studs)
        if not (stud and f.length < 100.0) and not any(_inside(f, k) for k in kept):
            kept.append(f)
    return kept


def _inside(f: Feature, k: Feature) -> bool:
    """True where f is a piece of k: the same axis and radius, its middle between k's ends."""
    d = f.point - k.point
    across = np.linalg.norm(d - (d @ k.axis) * k.axis)
    same = abs(f.axis @ k.axis) > np.cos(np.radians(5)) and abs(f.diameter - k.diameter) < 0.2 * k.diameter
    return bool(same and across < 0.25 * k.diameter and abs(float(d @ k.axis)) < k.length / 2 + 5)


def sleeves_in(tubes: list[Feature], holes: list[Feature]) -> tuple[list[Feature], list[Feature]]:
    """Short tubes become sleeves; holes in their end faces become the sleeve's bore. Returns tubes and the rest.

    A sleeve is no longer than three diameters and has a hole in at least one end, or a bore seen in it.
    """
    rest, out = list(holes), []
    bores = [t for t in tubes if t.detail["facing"] < 0]
    for t in (t for t in tubes if t.detail["facing"] > 0):
        ends = [h for h in rest if h.kind == "hole" and _on_end(h, t)]
        bore = next((b for b in bores if b.diameter < t.diameter and _coaxial(b, t)), None)
        if t.length > 3 * t.diameter or not (ends or bore):
            out.append(replace(t, detail={}))
            continue
        rest = [h for h in rest if not any(h is e for e in ends)]
        out.append(_sleeve(t, ends, bore))
    return out, rest


def _coaxial(b: Feature, t: Feature) -> bool:
    d = b.point - t.point
    across = np.linalg.norm(d - (d @ t.axis) * t.axis)
    between = abs(float(d @ t.axis)) < t.length / 2 + 2
    return bool(between and across < 0.15 * t.diameter and abs(b.axis @ t.axis) > 0.97)


def _on_end(h: Feature, t: Feature) -> bool:
    d = h.point - t.point
    along = abs(float(d @ t.axis))
    across = np.linalg.norm(d - (d @ t.axis) * t.axis)
    end = abs(along - t.length / 2) < 6.0
    return bool(end and across < 0.15 * t.diameter and h.diameter < t.diameter - 2 and abs(h.axis @ t.axis) > 0.97)


def _sleeve(t: Feature, ends: list[Feature], bore: Feature | None) -> Feature:
    known = bore or min(ends, key=lambda h: h.u_diameter)
    point, length = t.point, t.length
    if len(ends) == 2:
        point = t.point + t.axis * float((ends[0].point + ends[1].point - 2 * t.point) @ t.axis / 2)
        length = abs(float((ends[0].point - ends[1].point) @ t.axis))
    u_along = 0.3 if len(ends) == 2 else float(np.sqrt(t.axis @ t.cov @ t.axis))
    across = np.eye(3) - np.outer(t.axis, t.axis)
    return replace(
        t,
        kind="sleeve",
        point=point,
        length=length,
        diameter=known.diameter,
        u_diameter=known.u_diameter,
        cov=across @ t.cov @ across + u_along**2 * np.outer(t.axis, t.axis),
        u_length=2 * u_along,
        detail={"outside_diameter_mm": t.diameter, "u_outside_diameter_mm": t.u_diameter},
        note=f"diameter is the bore; outside {t.diameter:.2f} mm",
    )
