"""Hole patterns on one face as groups: found, measured, named, and compared left to right."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from barerail.geometry.frames import basis
from barerail.geometry.matching import ambiguous
from barerail.records import Array, Datum, Group, Index, NoiseModel
from barerail.settings import PointsSettings
from barerail.stages.points.budget import Budget, difference
from barerail.stages.points.names import Unit, all_names
from barerail.stages.points.pairs import MIRROR, differences
from barerail.stages.points.patterns import LOOK_MM, Complex, Ideal, Pattern, find_patterns, ideal
from barerail.stages.points.place import Placed, nearby

COPLANAR_MM = 3.0
Alike = Callable[[Index, Index], NDArray[np.bool_]]
PARALLEL = float(np.cos(np.radians(10.0)))


@dataclass(frozen=True, eq=False)
class _Found:
    """A pattern, its holes (rows of Placed), its plane's axes (2, 3), its ideal and the holes' spread in the plane."""

    pattern: Pattern
    rows: Index
    plane: Array
    ideal: Ideal
    cov: Array
    centre: Array


def groups(
    placed: Placed,
    sums: Budget,
    names: Mapping[int, str],
    face: Mapping[int, str],
    noise: NoiseModel,
    datum: Datum,
    settings: PointsSettings,
) -> tuple[Group, ...]:
    """Patterns of round holes of one size on one face, front to rear. names, face: of each row of Placed."""
    alike = _of_one_size(placed, settings)
    faces = _faces(placed, alike, settings)
    found = [g for rows in faces for g in _found(placed, sums, rows, alike, noise, settings)]
    mate = _partners(found, settings)
    units = _units(found, mate, face, settings)
    called = all_names(units, settings.zone_mm, {}, names.values())
    sides = {i: side for unit in units for i, side in zip(unit.rows, unit.sides)}
    made = {i: _group(found[i], called[i], sides[i], called.get(mate.get(i, -1), ""), names) for i in sides}
    for left, right in mate.items():
        if sides[left] == "L":
            value, cov = _between(found[left], found[right], placed, sums, noise, datum)
            for i in (left, right):
                made[i] = Group(**{**vars(made[i]), "difference": value, "cov": cov})
    return tuple(made[i] for unit in units for i in unit.rows)


def _faces(placed: Placed, alike: Alike, settings: PointsSettings) -> list[Index]:
    """Holes (rows of Placed) that lie on one face and near enough to each other, three and more."""
    holes = np.flatnonzero(placed.of_kind("hole"))
    at, axis = placed.point[holes], placed.axis[holes]
    a, b = nearby(at, np.zeros(len(at), int), at, np.zeros(len(at), int), settings.pattern_mm, 0.0)
    level = np.abs(np.einsum("ij,ij->i", at[b] - at[a], axis[a])) <= COPLANAR_MM
    joined = level & (np.einsum("ij,ij->i", axis[a], axis[b]) >= PARALLEL) & alike(holes[a], holes[b])
    graph = coo_array((joined[joined], (a[joined], b[joined])), shape=(len(at), len(at)))
    _, label = connected_components(graph, directed=False)
    together = np.split(holes[np.argsort(label, kind="stable")], np.cumsum(np.bincount(label))[:-1])
    return [rows for rows in together if len(rows) >= 3]


def _of_one_size(placed: Placed, settings: PointsSettings) -> Alike:
    size = np.array([f.diameter for f in placed.source])
    u = np.array([f.u_diameter for f in placed.source])
    return lambda a, b: np.abs(size[a] - size[b]) <= settings.pair_size_mm + 2 * np.hypot(u[a], u[b])


def _found(
    placed: Placed, sums: Budget, rows: Index, alike: Alike, noise: NoiseModel, settings: PointsSettings
) -> list[_Found]:
    normal = placed.axis[rows].mean(axis=0)
    plane = basis(normal / np.linalg.norm(normal))[:2]
    at = placed.point[rows] @ plane.T
    like = alike(*np.meshgrid(rows, rows, indexing="ij"))
    made = []
    for pattern in find_patterns(at, like, settings.pattern_mm):
        own = rows[pattern.rows]
        z = at[pattern.rows, 0] + 1j * at[pattern.rows, 1]
        span = float(np.abs(z - z.mean()).max())
        drift = noise.drift_mm**2 + (noise.drift_mm_per_m * span / 1000) ** 2 / 2
        cov = plane @ sums.local[own] @ plane.T + drift * np.eye(2)
        made.append(_Found(pattern, own, plane, ideal(pattern, z), cov, placed.point[own].mean(axis=0)))
    return made


def _partners(found: Sequence[_Found], settings: PointsSettings) -> dict[int, int]:
    """Mirrored patterns of one shape, count and size, both ways; none where a shift by one hole fits as well."""
    mates = {i: _mate(g, found, settings) for i, g in enumerate(found)}
    return {i: j for i, j in mates.items() if j >= 0 and mates[j] == i}


def _mate(g: _Found, found: Sequence[_Found], settings: PointsSettings) -> int:
    apart = np.array([_apart(g, h, settings) for h in found])
    best = int(np.argmin(apart))
    step = float(np.nanmin([*g.ideal.pitch, g.ideal.circle]))
    second = min(float(np.partition(apart, 1)[1]) if len(apart) > 1 else np.inf, step)
    near = apart[best] <= settings.pair_reach_mm and not ambiguous(apart[best : best + 1], np.array([second]))[0]
    return best if near else -1


def _apart(g: _Found, h: _Found, settings: PointsSettings) -> float:
    """Distance of the centres, one mirrored; infinite where the patterns differ."""
    one, two = (np.array([*sorted(x.ideal.pitch, reverse=True), x.ideal.circle]) for x in (g, h))
    alike = (g.pattern.shape, len(g.rows)) == (h.pattern.shape, len(h.rows))
    alike = alike and np.nanmax(np.abs(one - two)) <= LOOK_MM
    facing = abs(_normal(g) * MIRROR @ _normal(h)) >= PARALLEL
    across = g.centre[1] * h.centre[1] < 0
    return float(np.linalg.norm(g.centre * MIRROR - h.centre)) if alike and facing and across else np.inf


def _normal(g: _Found) -> Array:
    return np.cross(g.plane[0], g.plane[1])


def _units(
    found: Sequence[_Found], mate: Mapping[int, int], face: Mapping[int, str], settings: PointsSettings
) -> list[Unit]:
    """Pairs of patterns and single ones, front to rear, what names them."""
    made = []
    for i, g in enumerate(found):
        y = g.centre[1]
        if i in mate and y < 0:
            continue
        rows = (i, mate[i]) if i in mate else (i,)
        side = "L" if i in mate else "C" if abs(y) <= settings.centre_mm else "L" if y > 0 else "R"
        x, out, z = np.mean([np.abs(found[k].centre * [0, 1, 0]) + found[k].centre * [1, 0, 1] for k in rows], axis=0)
        made.append(Unit(rows, (side, "R")[: len(rows)], g.pattern.shape, face[int(g.rows[0])], x, z, out, True))
    return sorted(made, key=lambda u: (round(-u.x, 3), u.kind, u.sides, round(-u.height, 3), u.rows))


def _group(g: _Found, name: str, side: str, partner: str, names: Mapping[int, str]) -> Group:
    fit, cov = g.ideal, g.cov
    order = np.argsort([-v if np.isfinite(v) else np.inf for v in fit.pitch], kind="stable")
    pitch, u_pitch = np.array(fit.pitch)[order], np.array([_u(by, cov) for by in fit.by_pitch])[order]
    return Group(
        name=name,
        shape=g.pattern.shape,
        side=side,
        partner=partner,
        holes=tuple(names[int(i)] for i in g.rows),
        centre=g.centre,
        pitch=(float(pitch[0]), float(pitch[1])),
        u_pitch=(float(u_pitch[0]), float(u_pitch[1])),
        circle=fit.circle,
        u_circle=_u(fit.by_circle, cov),
        lean_deg=abs(float(np.degrees(fit.lean))),
        u_lean_deg=float(np.degrees(_u(fit.by_lean, cov))),
        off=np.column_stack([fit.off.real, fit.off.imag]) @ g.plane,
        u_off=np.sqrt(np.linalg.eigvalsh(cov)[:, -1]),
    )


def _u(by: Complex, cov: Array) -> float:
    """Standard uncertainty of what moves with each hole by `by` (k,); cov (k, 2, 2)."""
    g = np.column_stack([by.real, by.imag])
    return float(np.sqrt(np.einsum("ki,kij,kj->", g, cov, g)))


def _between(
    left: _Found, right: _Found, placed: Placed, sums: Budget, noise: NoiseModel, datum: Datum
) -> tuple[Array, Array]:
    """The right centre mirrored less the left one (3,), from the holes one to one, and its covariance.

    The covariance is the mean of the holes' own, which the mean's can't exceed whatever their correlation.
    """
    image = placed.point[right.rows] * MIRROR
    image = image - image.mean(axis=0) + left.centre
    near = np.linalg.norm(placed.point[left.rows][:, None] - image[None], axis=2).argmin(axis=1)
    value, cov = difference(sums, differences(placed, left.rows, right.rows[near]), placed, noise, datum)
    return value.mean(axis=0), cov.mean(axis=0)
