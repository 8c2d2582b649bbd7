"""Uncertainty of a point, and of a left/right difference: fit, datum, and the scanner's slow drift."""

from dataclasses import dataclass

import numpy as np

from barerail.geometry.frames import skew
from barerail.records import Array, Datum, Features, Index, NoiseModel
from barerail.stages.points.pairs import MIRROR, Differences
from barerail.stages.points.place import UNSEEN_MM, Placed, leading, stack

SHEET_MM = 10.0


@dataclass(frozen=True, eq=False)
class Budget:
    """Covariances of placed points, a row each (n).

    local (n, 3, 3): of the fit alone. cov: with datum and drift. axis (n, 3, 3) rad2: of the axis, datum included.
    by_datum (n, 3, 6): derivative of the point by the datum. cross (n, 3, 6): covariance of the point's fit error
    with the datum's error, not zero where the datum rests on the point. share: factor on `cross`, 1 unless the
    datum's covariance is too small to hold what its features put into it.
    """

    local: Array
    cov: Array
    axis: Array
    by_datum: Array
    cross: Array
    share: float


def budget(placed: Placed, features: Features, datum: Datum) -> Budget:
    """Covariances by first-order propagation (JCGM 102:2011, 6.2).

    A point q = R p + t moves by R dp + B (dt, dr), B = [I | -[q]x], where dp is the fit's error, covariance C, and
    (dt, dr) the datum's, covariance D. With X = R C M', M the datum's influence (by the point in scan axes),
        cov = R C R' + B D B' + X B' + (X B')' + u2 I,
    u2 = drift_mm^2 + (drift_mm_per_m |q| / 1000)^2: the scanner's drift at the point and its growth from the datum's
    origin; the drift at the origin is the datum's own. A covariance the fit can't give counts as 1 m each way.
    """
    r = datum.car_from_scan[:3, :3]
    c = stack([f.cov for f in placed.source], 3, 3)
    unknown = ~np.isfinite(c).all(axis=(1, 2))
    c[unknown] = UNSEEN_MM**2 * np.eye(3)
    local, by_datum = r @ c @ r.T, _by_datum(placed.point)
    influence = _influence(placed.found, datum)
    share = _share(influence @ c @ influence.transpose(0, 2, 1), datum.covariance)
    cross = share * r @ c @ influence.transpose(0, 2, 1)
    mixed = cross @ by_datum.transpose(0, 2, 1)
    cov = local + by_datum @ datum.covariance @ by_datum.transpose(0, 2, 1) + mixed + mixed.transpose(0, 2, 1)
    far = np.linalg.norm(placed.point, axis=1)
    cov += _drift(features.noise, far, ends=1)
    turn = -_skew(placed.axis)
    axis = r @ stack([f.cov_axis for f in placed.source], 3, 3) @ r.T
    axis += turn @ datum.covariance[3:, 3:] @ turn.transpose(0, 2, 1)
    return Budget(local, cov, axis, by_datum, cross, share)


def difference(b: Budget, d: Differences, placed: Placed, noise: NoiseModel, datum: Datum) -> tuple[Array, Array]:
    """Right mirrored less left, S q_R - q_L with S = diag(1, -1, 1): values (k, 3) mm and covariances (k, 3, 3).

    The datum moves it by G (dt, dr), G = S B_R - B_L, which is all that doesn't cancel; drift enters at both ends
    and by their distance L: u2 = 2 drift_mm^2 + (drift_mm_per_m L / 1000)^2. A hole seen on opposite faces gets
    10 mm along its axis. Tubes and rails are compared where their largest axis component has one value, slid there
    along the right one's axis: that component is no measurement, and counts as 1 m.
    """
    s = np.diag(MIRROR)
    g = s @ b.by_datum[d.right] - b.by_datum[d.left]
    mixed = (s @ b.cross[d.right] - b.cross[d.left]) @ g.transpose(0, 2, 1)
    cov = s @ b.local[d.right] @ s + b.local[d.left] + g @ datum.covariance @ g.transpose(0, 2, 1)
    cov += mixed + mixed.transpose(0, 2, 1)
    cov += _drift(noise, np.linalg.norm(placed.point[d.left] - placed.point[d.right], axis=1), ends=2)
    cov[d.unseen] += SHEET_MM**2 * d.axis[d.unseen, :, None] * d.axis[d.unseen, None, :]
    value = d.value.copy()
    for i in np.flatnonzero(d.line):
        value[i], cov[i] = _at_one_section(value[i], cov[i], d.axis[i], s @ b.axis[d.right[i]] @ s)
    return value, cov


def _at_one_section(value: Array, cov: Array, axis: Array, cov_axis: Array) -> tuple[Array, Array]:
    """A line's difference slid along `axis` until its largest component is zero, with the covariance of that."""
    k = int(leading(axis[None])[0])
    slide = value[k] / axis[k]
    project = np.eye(3) - np.outer(axis, np.eye(3)[k]) / axis[k]
    cov = project @ (cov + slide**2 * cov_axis) @ project.T
    cov[k, k] = UNSEEN_MM**2
    return project @ value, cov


def _drift(noise: NoiseModel, distance: Array, ends: int) -> Array:
    variance = ends * noise.drift_mm**2 + (noise.drift_mm_per_m * distance / 1000) ** 2
    return variance[:, None, None] * np.eye(3)


def _skew(vectors: Array) -> Array:
    return stack([skew(v) for v in vectors], 3, 3)


def _by_datum(point: Array) -> Array:
    """d q / d (tx, ty, tz, rx, ry, rz): a turn r moves q by r x q = -[q]x r."""
    return np.concatenate([np.broadcast_to(np.eye(3), (len(point), 3, 3)), -_skew(point)], axis=2)


def _influence(found: Index, datum: Datum) -> Array:
    """d datum / d point in scan axes (n, 6, 3); zeros where the datum doesn't rest on the feature."""
    row = {int(feature): i for i, feature in enumerate(found) if feature >= 0}
    m = np.zeros((len(found), 6, 3))
    for part in datum.influence:
        if part.feature in row:
            m[row[part.feature]] += part.matrix
    return m


def _share(parts: Array, covariance: Array) -> float:
    """Largest s in [0, 1] with s^2 sum(parts) <= covariance as matrices, so that the joint covariance stays proper."""
    floor = 1e-18 * np.eye(6)
    most = float(np.linalg.eigvals(np.linalg.solve(covariance + floor, parts.sum(axis=0))).real.max())
    return min(1.0, most**-0.5) if most > 0 else 1.0
