"""Flat places near a point: for cage feet, jack pads and brackets, with tilt and distance to the edge."""

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree

from barerail.asked import FlatsSettings
from barerail.errors import DataError, UsageError, no_point
from barerail.geometry.frames import direction, skew, transform
from barerail.geometry.neighbours import rows_of
from barerail.records import Array, CleanScan, Datum, Features, Flat, Flats, Measure, MountPoints, Note, Plane

CELL = 1.5
"""Side of a cell of the raster that a flat is laid out on, in point spacings."""
CLOSED = 2.0
"""Gaps of the scan narrower than twice this many spacings are closed before the edge is looked for."""


def flats(clean: CleanScan, features: Features, datum: Datum, points: MountPoints, settings: FlatsSettings) -> Flats:
    """Faces found near a named point or a place, at least so large and so flat.

    A face counts by its nearest scanned cell. Flatness is of its thinned cells, so that single points' noise doesn't
    count but form does. UsageError: no place, an unknown name; DataError: nothing there, with what came nearest.
    """
    about = _about(points, settings)
    found: list[Flat] = []
    small: list[Flat] = []
    for plane in features.planes:
        at = transform(datum.car_from_scan, clean.thin[plane.members])
        away = float(cKDTree(at).query(about)[0])
        if away > settings.reach_mm:
            continue
        one = _flat(plane, at, about, away, clean, datum)
        (found if one.area_cm2 >= settings.area_cm2 and one.flat_mm <= settings.flat_mm else small).append(one)
    if not found:
        raise DataError(_nothing(small, settings))
    found.sort(key=lambda f: (round(f.away_mm, 3), -f.area_cm2))
    told = f"{len(small)} more faces there are smaller or less flat than asked"
    return Flats(about, tuple(found), clean.spacing_mm, (Note("flats", told),) if small else ())


def _about(points: MountPoints, settings: FlatsSettings) -> Array:
    if bool(settings.near) == (settings.at is not None):
        raise UsageError("flats takes either --near NAME or --at X,Y,Z")
    if settings.at is not None:
        return np.array(settings.at)
    known = {p.name: p for p in points.points}
    if settings.near not in known:
        raise no_point(settings.near, known)
    if not np.isfinite(known[settings.near].position).all():
        raise DataError(f"{settings.near} was not found in the scan: give a place with --at X,Y,Z")
    return known[settings.near].position


def _flat(plane: Plane, cells: Array, about: Array, away: float, clean: CleanScan, datum: Datum) -> Flat:
    axes, centre = direction(datum.car_from_scan, plane.axes), transform(datum.car_from_scan, plane.centre)
    off = (cells - centre) @ axes[2]
    low, high = np.quantile(off, (0.025, 0.975))
    rows = rows_of(np.asarray(plane.members), clean.order, clean.start)
    flat = (transform(datum.car_from_scan, clean.scan.points[rows]) - centre) @ axes[:2].T
    where, edge = _laid_out(flat, (about - centre) @ axes[:2].T, clean.spacing_mm)
    disc = centre + where[:2] @ axes[:2]
    return Flat(
        plane.area_mm2 / 100, float(high - low), _tilt(plane, axes, datum), centre, axes[2], disc, float(2 * where[2]),
        edge, away,
    )  # fmt: skip


def _laid_out(flat: Array, about: Array, spacing: float) -> tuple[Array, float]:
    """Middle and radius (3,) of the largest disc inside points flat (n, 2), and how far a place is from their edge.

    The points' cells closed by a disc (Serra 1982), then the distance to the nearest cell outside.
    """
    cell, reach = CELL * spacing, CLOSED * spacing
    pad = int(np.ceil(reach / cell)) + 2
    origin = flat.min(axis=0) - pad * cell
    index = ((flat - origin) / cell).astype(int)
    empty = np.ones(index.max(axis=0) + pad + 1, bool)
    empty[index[:, 0], index[:, 1]] = False
    grown = distance_transform_edt(empty) * cell <= reach
    inside = np.maximum(distance_transform_edt(grown) * cell - reach - cell / 2, 0.0)
    best = np.unravel_index(int(np.argmax(inside)), inside.shape)
    i, j = ((about - origin) / cell).astype(int)
    there = 0 <= i < inside.shape[0] and 0 <= j < inside.shape[1]
    place = origin + (np.array(best) + 0.5) * cell
    return np.array([*place, inside[best]]), float(inside[i, j]) if there else 0.0


def _tilt(plane: Plane, axes: Array, datum: Datum) -> Measure:
    """Angle of a face from level, 0 to 90 degrees; U of the plane's turns and the datum's roll and pitch."""
    n = axes[2] * np.copysign(1.0, axes[2, 2])
    across = float(np.hypot(n[0], n[1]))
    turns = axes[:2].T @ plane.cov[1:, 1:] @ axes[:2] + datum.covariance[3:, 3:]
    moved = skew(n) @ turns @ skew(n).T
    u = float(np.sqrt(np.linalg.eigvalsh(moved)[-1]))
    if across > 2 * u:
        steeper = np.array([*(n[:2] / across * n[2]), -across])
        u = max(0.0, float(steeper @ moved @ steeper)) ** 0.5
    return Measure(float(np.degrees(np.arctan2(across, n[2]))), 2 * float(np.degrees(u)), "deg")


def _nothing(small: list[Flat], settings: FlatsSettings) -> str:
    if not small:
        return f"no flat face was found within {settings.reach_mm:g} mm: --reach looks farther"
    best = max(small, key=lambda f: f.area_cm2)
    return (
        f"no face of {settings.area_cm2:g} cm2, flat within {settings.flat_mm:g} mm, within {settings.reach_mm:g} mm: "
        f"the largest there has {best.area_cm2:.0f} cm2 and is flat within {best.flat_mm:.2f} mm"
    )
