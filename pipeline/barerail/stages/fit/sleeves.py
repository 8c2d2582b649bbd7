"""Sleeves: short tubes with a bore."""

from dataclasses import replace

import numpy as np

from barerail.records import Feature, NoiseModel
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.mesh_bores import on_one_axis

LONGEST = 3.0
"""Diameters that a sleeve may be long (judgement)."""
CLOSED = 0.5
"""Share of an end that a face must cover, the bore left out where it was seen, and the ring beyond the rim must not:
0.63 and more, nothing on tubes cut short (simulated scans)."""
RIM = 3.0
"""How far beyond a tube's rim in spacings its end face is looked for: there is none where it ends (judgement)."""
END_U = 0.2
"""Standard uncertainty of an end face of a sleeve in a mesh along it, in voxels (0.13 to 0.24 rms on simulated scans,
mostly outward)."""
END = 5.0
"""How far off where a tube's skin ends, in spacings, its end face is looked for: by a weld the skin ends early
(judgement)."""

End = tuple[float, float]
"""Where along the axis from a tube's middle one of its ends is, and its standard uncertainty, mm."""


def sleeves_in(
    tubes: list[Feature], holes: list[Feature], cloud: Cloud, noise: NoiseModel
) -> tuple[list[Feature], list[Feature]]:
    """Short tubes become sleeves; holes in their end faces become the sleeve's bore. Returns tubes and the rest.

    A sleeve is no longer than LONGEST diameters and has a hole in at least one end, a bore seen in it, or a face across
    both ends. Its middle is half-way between its end faces, or the edges seen; an end not seen lies anywhere up to
    LONGEST diameters from the other (rectangular, JCGM 100:2008, 4.3.7). What is so short that fusing may have bowed it
    is a sleeve or nothing.
    """
    rest, out = list(holes), []
    bores = [t for t in tubes if t.detail["facing"] <= 0]
    inside = [b for b in bores if any(_in_bore_of(b, t) for t in tubes)]
    for t in (t for t in tubes if t.detail["facing"] >= 0 and not any(t is b for b in inside)):
        ends = [h for h in rest if h.kind == "hole" and _on_end(h, t)]
        bore = next((b for b in inside if _in_bore_of(b, t)), None)
        if t.length > LONGEST * t.diameter or not (ends or bore):
            closed = _closed(t, cloud)
            out += [closed or replace(t, detail={})] if closed or not t.detail["bowed"] else []
            continue
        rest = [h for h in rest if not any(h is e for e in ends)]
        known = bore or min(ends, key=lambda h: h.u_diameter)
        both = on_one_axis(t, known, cloud, noise) if cloud.mesh else (t, known)
        low, high = (_end(*both, way, ends, cloud) for way in (-1.0, 1.0))
        out.append(_sleeve(*both, low, high, cloud.mesh))
    return out, rest


def _in_bore_of(b: Feature, t: Feature) -> bool:
    """Whether b is the bore of t: inside it, on its axis, and of a length with it."""
    return t.detail["facing"] >= 0 and b.diameter < t.diameter - 2 and _coaxial(b, t) and b.length < 1.2 * t.length + 5


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


def _sleeve(t: Feature, bore: Feature, low: End | None, high: End | None, mesh: bool) -> Feature:
    """A sleeve by its outside, its bore and where its ends are; fusing pushes both of these out alike."""
    point, length, u_along = t.point, t.length, float(np.sqrt(t.axis @ t.cov @ t.axis))
    u_length = 2 * u_along
    if low and high:
        point, length = t.point + t.axis * (low[0] + high[0]) / 2, high[0] - low[0]
        u_along = float(np.hypot(low[1], high[1])) / 2
        u_length = low[1] + high[1] if mesh else 2 * u_along
    ends = (low, t.detail["low_open"]), (high, t.detail["high_open"])
    unseen = any(end is None and (mesh or skin_is_open > 0) for end, skin_is_open in ends)
    if unseen:
        u_along = float(np.hypot(u_along, (LONGEST * t.diameter - length) / 2 / np.sqrt(3)))
        u_length = 2 * u_along
    across = np.eye(3) - np.outer(t.axis, t.axis)
    return replace(
        t,
        kind="sleeve",
        point=point,
        length=length,
        diameter=bore.diameter,
        u_diameter=bore.u_diameter,
        cov=across @ t.cov @ across + u_along**2 * np.outer(t.axis, t.axis),
        u_length=u_length,
        detail={"outside_diameter_mm": t.diameter, "u_outside_diameter_mm": t.u_diameter},
        note=f"diameter is the bore; outside {t.diameter:.2f} mm" + ("; an end wasn't seen" if unseen else ""),
    )


def _closed(t: Feature, cloud: Cloud) -> Feature | None:
    """A short tube with a face across both ends as a sleeve whose bore wasn't seen; None where it is none."""
    if t.length > LONGEST * t.diameter:
        return None
    low, high = (_end_face(t, 0.0, way, cloud) for way in (-1.0, 1.0))
    if low is None or high is None:
        return None
    return replace(
        _sleeve(t, t, low, high, cloud.mesh),
        detail={"outside_diameter_mm": t.diameter, "u_outside_diameter_mm": t.u_diameter, "bore_seen": 0.0},
        note="diameter is the outside: the bore wasn't seen, it may be a solid pin",
    )


def _end(t: Feature, bore: Feature, way: float, holes: list[Feature], cloud: Cloud) -> End | None:
    """One end of a sleeve by its face, or in a cloud by the hole in it."""
    hole = min(_side(t, holes, way), key=lambda h: h.u_diameter, default=None)
    if hole is None or cloud.mesh:
        return _end_face(t, bore.diameter / 2, way, cloud)
    return float((hole.point - t.point) @ t.axis), float(np.sqrt(t.axis @ hole.cov @ t.axis))


def _end_face(t: Feature, bore: float, way: float, cloud: Cloud) -> End | None:
    """One end of a tube by the face across it, about a bore of that radius and not beyond its rim; None where it has
    none, or where that is a plate's far side."""
    end, radius, spacing = t.point + way * t.length / 2 * t.axis, t.diameter / 2, cloud.clean.spacing_mm
    reach = float(np.hypot(radius + RIM * spacing, END * spacing))
    rows = cloud.tree.query_ball_point(end, reach, return_sorted=True)
    off = cloud.surface.points[rows] - end
    along = off @ t.axis
    facing = (np.abs(along) < END * spacing) & (way * cloud.surface.normals[rows] @ t.axis > 0.8)
    away = np.linalg.norm(off - along[:, None] * t.axis, axis=1)
    edges = np.array([bore, radius, radius + spacing, radius + RIM * spacing])
    share = np.histogram(away[facing], edges)[0] * cloud.surface.cell_area / (np.pi * np.diff(edges**2))
    if share[0] < CLOSED or share[2] > CLOSED:
        return None
    at = way * t.length / 2 + np.median(along[facing & (away > bore) & (away < radius)])
    return float(at), END_U * cloud.voxel_mm or cloud.sigma


def _side(t: Feature, ends: list[Feature], way: float) -> list[Feature]:
    return [h for h in ends if way * ((h.point - t.point) @ t.axis) > 0]
