"""Two-tab brackets: two holes on one line in tabs that face each other make a bolt axis."""

from dataclasses import dataclass, replace

import numpy as np

from barerail.geometry.covariance import MESH_OFF
from barerail.records import Array, Feature, Plane

GAP_MM = (10.0, 200.0)
TAB_MM = 250.0
UNSURE = 0.25
"""Largest difference in place and size of a bracket's holes, in diameters, that their U may excuse (judgement)."""
LEANING = np.radians(0.5)
"""How far off square to its bolt a bracket's tabs may stand together, per direction (sd, a judgement)."""
LEAST = 1e-6
"""The least that a tab leans by itself, per direction (sd, rad): so that none counts for all."""
APART = 3.0
"""Standard deviations by which holes and tabs may disagree and both still count: beyond, the tabs are bent."""
UNSEEN_MM, ALIKE_MM = 3.0, 1.5
"""Thickness, and its sd, of a tab whose inner face was not seen; the sd where it is taken as thick as the other tab of
its bracket, which mostly is cut from the same sheet (judgements)."""
ALONE = 0.25
"""By how much fusing pushes a tab's inner face out beyond what it does to the other tab's, in voxels (sd; 242 brackets
on simulated scans lie 0.12 off along, rms)."""
PARALLEL = np.cos(np.radians(8.0))


@dataclass(frozen=True)
class Tab:
    """A tab seen from its partner: hole centre (3,), its inner face along the axis, thickness, nan where only one face
    was seen; u of the inner face, mm, and whether that was seen."""

    centre: Array
    inner: Array
    thickness: float
    u_face: float
    cov: Array
    seen: bool = True


def bolt_axes(found: list[Feature], planes: tuple[Plane, ...], voxel: float) -> list[Feature]:
    """The features with the holes of each two-tab bracket replaced by its bolt axis.

    voxel: edge in mm of those a mesh was fused in, 0 of a cloud. Fusing widens both holes of a bracket and pushes both
    tabs out alike, so that the mean diameter is as uncertain as each and the gap by both inner faces together, but
    hardly the middle between them; there the tabs' normals have a say in the axis.
    The angles of the tabs in `detail` are to the line through both holes.
    """
    holes = [i for i, f in enumerate(found) if f.kind == "hole" and max(planes[f.plane].extent) < TAB_MM]
    ranked = sorted(c for a, i in enumerate(holes) for j in holes[a + 1 :] if (c := _match(i, j, found)) is not None)
    used: set[int] = set()
    axes = []
    for _, i, j in ranked:
        if i in used or j in used:
            continue
        used |= {i, j}
        axes.append(_bolt_axis(found[i], found[j], planes, voxel))
    return [f for i, f in enumerate(found) if i not in used] + axes


def _match(i: int, j: int, found: list[Feature]) -> tuple[float, int, int] | None:
    a, b = found[i], found[j]
    d, cosine = b.point - a.point, float(a.axis @ b.axis)
    axis = (a.axis + np.sign(cosine) * b.axis) / np.sqrt(2 + 2 * abs(cosine))
    gap = abs(float(d @ axis))
    if abs(cosine) < PARALLEL or not GAP_MM[0] < gap < GAP_MM[1]:
        return None
    across = float(np.linalg.norm(d - (d @ axis) * axis))
    flat = np.eye(3) - np.outer(axis, axis)
    cov = a.cov + b.cov + gap**2 * (a.cov_axis + b.cov_axis) / 4
    u = float(np.sqrt(np.linalg.eigvalsh(flat @ cov @ flat)[-1]))
    u_size, most = float(np.hypot(a.u_diameter, b.u_diameter)), UNSURE * a.diameter
    off = max(1.5, 0.15 * a.diameter, min(2.5 * u, most))
    size = max(1.0, 0.12 * a.diameter, min(2 * u_size, most))
    if across > off or abs(a.diameter - b.diameter) > size:
        return None
    return (gap + 10 * across, i, j)


def _bolt_axis(a: Feature, b: Feature, planes: tuple[Plane, ...], voxel: float) -> Feature:
    one, other = _tab(a, b.point, planes), _tab(b, a.point, planes)
    tabs = _as_thick(one, other), _as_thick(other, one)
    line = tabs[1].centre - tabs[0].centre
    both = tabs[0].cov + tabs[1].cov
    axis, cov_axis = _through_both(line, both)
    turn = np.degrees(np.arccos(np.clip([abs(axis @ a.axis), abs(axis @ b.axis)], 0, 1)))
    if voxel:
        axis, cov_axis = _square_to_both(axis, cov_axis, a, b)
    middle = (tabs[0].centre + tabs[1].centre) / 2
    ends = np.array([middle + axis * float((t.inner - middle) @ axis) for t in tabs])
    across = np.eye(3) - np.outer(axis, axis)
    face = (tabs[0].u_face ** 2 + tabs[1].u_face ** 2) / 4
    unseen = sum(not t.seen for t in tabs)
    return Feature(
        kind="bolt-axis",
        point=ends.mean(axis=0),
        axis=axis,
        diameter=(a.diameter + b.diameter) / 2,
        length=float(np.linalg.norm(ends[1] - ends[0])),
        cov=across @ both @ across / 4 + (face - _pushed_alike(tabs, voxel)) * np.outer(axis, axis),
        cov_axis=cov_axis,
        u_diameter=float((a.u_diameter + b.u_diameter if voxel else np.hypot(a.u_diameter, b.u_diameter)) / 2),
        u_length=tabs[0].u_face + tabs[1].u_face if voxel else float(2 * np.sqrt(face)),
        arc_deg=min(a.arc_deg, b.arc_deg),
        n=a.n + b.n,
        rms=float(np.sqrt((a.rms**2 + b.rms**2) / 2)),
        plane=a.plane,
        ends=ends,
        detail={
            "tab_a_mm": tabs[0].thickness,
            "tab_b_mm": tabs[1].thickness,
            "diameter_a_mm": a.diameter,
            "diameter_b_mm": b.diameter,
            "tab_angle_a_deg": float(turn[0]),
            "tab_angle_b_deg": float(turn[1]),
        },
        note="" if not unseen else f"inner face of {unseen} tab not seen: mid-way point uncertain along the bolt",
    )


def _pushed_alike(tabs: tuple[Tab, Tab], voxel: float) -> float:
    """Variance in mm2 of the middle between two inner faces that is none: what fusing pushes both out by alike."""
    thin = all(t.seen and t.u_face > 0.95 * MESH_OFF * voxel for t in tabs)
    return (MESH_OFF**2 - ALONE**2) * voxel**2 / 2 if thin else 0.0


def _through_both(line: Array, both: Array) -> tuple[Array, Array]:
    """Unit direction (3,) of the line between two hole centres and its covariance (3, 3), rad2."""
    length = float(np.linalg.norm(line))
    axis = line / length
    across = np.eye(3) - np.outer(axis, axis)
    return axis, across @ both @ across / length**2


def _square_to_both(axis: Array, cov: Array, one: Feature, other: Feature) -> tuple[Array, Array]:
    """The direction with what the tabs' mean normal says of it, each by its weight; as it was where they disagree.

    What they disagree by goes into the result's covariance.
    """
    off, tabs = _mean_normal(axis, one, other)
    weight = np.linalg.pinv(cov + tabs)
    misfit = float(off @ weight @ off)
    if misfit > APART**2:
        return axis, cov
    turned = axis + cov @ weight @ off
    return turned / np.linalg.norm(turned), (cov - cov @ weight @ cov) * max(1.0, misfit / 2)


def _mean_normal(axis: Array, one: Feature, other: Feature) -> tuple[Array, Array]:
    """How far off an axis two tabs' mean normal points, each by its weight, and its covariance. What they differ by
    beyond their own U is each one's own lean (random effects: DerSimonian & Laird 1986, with two studies; from
    memory)."""
    across = np.eye(3) - np.outer(axis, axis)
    covs = np.array([across @ h.cov_axis @ across for h in (one, other)])
    slopes = np.array([across @ h.axis / (h.axis @ axis) for h in (one, other)])
    beyond = float(np.sum((slopes[0] - slopes[1]) ** 2)) - np.trace(covs.sum(axis=0))
    covs = covs + max(beyond / 4, LEAST**2) * across
    share = 1 / np.trace(covs, axis1=1, axis2=2)
    share /= share.sum()
    return share @ slopes, np.tensordot(share**2, covs, 1) + LEANING**2 * across


def _tab(hole: Feature, partner: Array, planes: tuple[Plane, ...]) -> Tab:
    towards = np.sign((partner - hole.point) @ hole.axis) * hole.axis
    u = float(np.sqrt(hole.axis @ hole.cov @ hole.axis))
    if len(hole.ends) == 2:
        inner, outer = sorted(hole.ends, key=lambda e: float(-(e @ towards)))
        return Tab((inner + outer) / 2, inner, hole.length, u, hole.cov)
    if hole.axis @ towards > 0:
        return Tab(hole.point, hole.point, _behind(hole, planes, -towards), u, hole.cov)
    depth = _behind(hole, planes, towards)
    if np.isnan(depth):
        return Tab(hole.point, hole.point + UNSEEN_MM * towards, depth, UNSEEN_MM, hole.cov, seen=False)
    return Tab(hole.point, hole.point + depth * towards, depth, u, hole.cov)


def _as_thick(tab: Tab, other: Tab) -> Tab:
    """The tab, its inner face as far in as that of the other one where it was not seen itself."""
    if tab.seen or np.isnan(other.thickness):
        return tab
    way = (tab.inner - tab.centre) / UNSEEN_MM
    u = float(np.sqrt(ALIKE_MM**2 + other.u_face**2 + way @ tab.cov @ way))
    return replace(tab, inner=tab.centre + other.thickness * way, u_face=u)


def _behind(hole: Feature, planes: tuple[Plane, ...], towards: Array) -> float:
    """Distance in mm along `towards` from a hole's face to the tab's other face; nan where that wasn't seen."""
    best = float("nan")
    for p in planes:
        if p.normal @ towards < PARALLEL or max(p.extent) > TAB_MM:
            continue
        depth = float((p.centre - hole.point) @ p.normal / (towards @ p.normal))
        local = p.axes[:2] @ (hole.point - p.centre)
        if 0.8 < depth < 16.0 and (np.abs(local) < np.array(p.extent) / 2 + 5).all() and not depth > best:
            best = depth
    return best
