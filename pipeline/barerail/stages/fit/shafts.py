"""Shafts of studs: round, seen most of the way about, as smooth as the scan or as rough as a thread."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from barerail.errors import DataError
from barerail.geometry.covariance import propagate
from barerail.geometry.cylinder import CylinderFit, fit_cylinder
from barerail.geometry.neighbours import touching
from barerail.geometry.raster import cover, seen_arc
from barerail.records import Array, Feature, Index, NoiseModel
from barerail.stages.fit.bores import STUD_MM
from barerail.stages.fit.cloud import Cloud
from barerail.stages.fit.fused_round import ALL_ROUND, THIN_SHAFT, all_round, fused_cov, fused_lean, shaft_width
from barerail.stages.fit.surface import Surface

THINNEST_MM = 3.0
"""Thinnest stud, mm (judgement): a thread reads as its mean diameter, M4 as some 3.5."""
SHAFT_DEG = 216.0
"""Arc in degrees over which a stud's shaft must be seen (judgement)."""
APART = 1.35
"""How far apart round a shaft vertices of a mesh that show it all round may stand, in voxels: its rings may all have
the same places round it. 1.30 at most on simulated shafts four voxels wide; edges of sheet leave 1.5 and more."""
SMOOTH_MM = 0.15
"""Rms about a shaft that is never too rough, mm (judgement)."""
FLANK, ROUGH = 0.05, 0.034
"""How far a coarse thread's flanks lie off its mean diameter, and their rms, as shares of that: M6 to M12, 0.613
pitches high (ISO 68-1 and 261, from memory)."""
FORM = 0.5
"""Share of that rms that patches of a few mm may differ by (judgement)."""
SHAFT_MM, FEWEST_LOOSE, FEWEST = 3.0, 8, 20
"""How high over its seat what is read of a loose shaft begins, mm, and thinned and full-resolution points that are
enough for one (judgement)."""
MOST = 600


@dataclass(frozen=True)
class Shaft:
    """A round shaft: its cylinder, direction (3,) away from its seat, full-resolution points (n, 3) on it, which of the
    cylinder's those are, and over how many degrees they are seen."""

    fit: CylinderFit
    axis: Array
    points: Array
    on: NDArray[np.bool_]
    arc_deg: float

    @property
    def rms(self) -> float:
        """Of its points about its cylinder, mm."""
        return float(np.sqrt((self.fit.residuals[self.on] ** 2).mean()))


def lots_of(rows: Index, surface: Surface, edge: float) -> list[Index]:
    """Those rows of the surface as connected lots, each of enough points for a shaft; edge: of the cells, mm."""
    if not len(rows):
        return []
    piece = touching(surface.points[rows], edge)
    order = np.argsort(piece, kind="stable")
    lots = np.split(rows[order], np.flatnonzero(np.diff(piece[order])) + 1)
    return [lot for lot in lots if len(lot) >= FEWEST_LOOSE]


def shaft_in(lot: Index, out: Array, cloud: Cloud) -> Shaft | None:
    """The shaft that a lot of thinned points makes, about as `out` (3,) points; None where it makes none."""
    points = cloud.points(lot)
    shaft = shaft_of(points, out, cloud, 0.8) if len(points) >= FEWEST else None
    return shaft if shaft is not None and _faces_outward(shaft, lot, cloud.surface) else None


def shaft_of(
    points: Array, out: Array, cloud: Cloud, share: float, at: ArrayLike | None = None, radius: float | None = None
) -> Shaft | None:
    """The shaft of more than that share of the points (n, 3), about as `out` (3,) points; None where they make none.

    at (3,), radius: a first place on its axis and radius, mm, where known.
    """
    points = points[:: max(1, len(points) // MOST)]
    try:
        fit = fit_cylinder(points, out, at, radius, robust=True)
    except DataError:
        return None
    on = _on_it(fit, cloud)
    if not on.any():
        return None
    local = (points[on] - fit.point) @ fit.axes[:2].T
    span = np.degrees(APART * cloud.voxel_mm / max(fit.radius, THINNEST_MM / 4))
    arc = seen_arc(local, span) if cloud.mesh else 360 * cover(local, np.zeros(2), 0.0, np.inf)
    shaft = Shaft(fit, fit.axis * np.sign(float(fit.axis @ out)), points[on], on, arc)
    return shaft if on.mean() > share and _is_one(shaft, cloud) else None


def _on_it(fit: CylinderFit, cloud: Cloud) -> NDArray[np.bool_]:
    """Which points lie on a shaft's cylinder or a thread's flanks about it; fusing smooths those away."""
    flank = 0.0 if cloud.mesh else FLANK * 2 * fit.radius
    return np.abs(fit.residuals) < max(4 * cloud.sigma, 0.35 * cloud.voxel_mm, 0.3, flank)


def _faces_outward(shaft: Shaft, lot: Index, surface: Surface) -> bool:
    """Whether it is the outside of a shaft rather than the inside of a bore."""
    d = surface.points[lot] - shaft.fit.point
    radial = d - np.outer(d @ shaft.axis, shaft.axis)
    return bool(np.median(np.einsum("ij,ij->i", radial, surface.normals[lot])) > 0)


def _is_one(shaft: Shaft, cloud: Cloud) -> bool:
    width, arc = 2 * shaft.fit.radius, shaft.arc_deg
    sized = THINNEST_MM <= shaft_width(width, cloud.voxel_mm) < STUD_MM
    round_too = arc > SHAFT_DEG and all_round(width, arc, cloud.voxel_mm, THIN_SHAFT)
    return bool(sized and round_too and (shaft.rms < _smooth(cloud) or _is_thread(shaft, cloud)))


def _smooth(cloud: Cloud) -> float:
    """Largest rms in mm of points about a shaft that is noise alone."""
    return max(cloud.roughest(1.5) if cloud.mesh else 1.5 * cloud.sigma, SMOOTH_MM)


def _is_thread(shaft: Shaft, cloud: Cloud) -> bool:
    """Whether a shaft of a cloud is rough as a thread's flanks are, seen all round: those cancel over a few mm, where
    the faces of an edge or a weld do not."""
    flanks = float(np.hypot(1.5 * cloud.sigma, ROUGH * 2 * shaft.fit.radius))
    return not cloud.mesh and shaft.rms < flanks and shaft.arc_deg > ALL_ROUND and _form(shaft) < FORM * shaft.rms


def _form(shaft: Shaft, step: float = 5.0, sectors: int = 16) -> float:
    """Rms in mm of the mean residuals of patches of a shaft, `step` mm long, less what chance makes of them."""
    local, residuals = (shaft.points - shaft.fit.point) @ shaft.fit.axes.T, shaft.fit.residuals[shaft.on]
    turn = np.floor(np.arctan2(local[:, 1], local[:, 0]) / (2 * np.pi) * sectors).astype(int) % sectors
    patch = np.floor((local[:, 2] - local[:, 2].min()) / step).astype(int) * sectors + turn
    count = np.bincount(patch)
    some = np.flatnonzero(count)
    mean = np.bincount(patch, residuals)[some] / count[some]
    beyond = float(np.mean(mean**2 - np.mean(residuals**2) / count[some]))
    return float(np.sqrt(max(beyond, 0.0)))


def stud_of(shaft: Shaft, seat: float, up: float, noise: NoiseModel, cloud: Cloud, plane: int = -1) -> Feature:
    """The stud whose shaft meets its seat `seat` mm along the axis from the cylinder's point, by a variance `up`.

    plane: the face it stands on, if any.
    """
    fit, axis = shaft.fit, shaft.axis
    cov = _covariance(shaft, noise, cloud)
    flat, lever = fit.axes[:2].T, seat * np.sign(float(axis @ fit.axis))
    reach = np.hstack([np.eye(2), lever * np.eye(2), np.zeros((2, 1))])
    along = (shaft.points - fit.point) @ axis
    lean = fused_lean(cloud.voxel_mm, fit.radius, float(np.ptp(along)))
    rough = not cloud.mesh and shaft.rms >= _smooth(cloud)
    return Feature(
        kind="stud",
        point=fit.point + seat * axis,
        axis=axis,
        diameter=shaft_width(2 * fit.radius, cloud.voxel_mm),
        length=float(np.quantile(along, 0.99) - seat),
        cov=flat @ reach @ cov @ reach.T @ flat.T + up * np.outer(axis, axis),
        cov_axis=flat @ (cov[2:4, 2:4] + lean * np.eye(2)) @ flat.T,
        u_diameter=float(2 * np.sqrt(cov[4, 4])),
        u_length=cloud.clean.spacing_mm / 2,
        arc_deg=round(shaft.arc_deg),
        n=int(shaft.on.sum()),
        rms=shaft.rms,
        plane=plane,
        note="rough, as a thread is: the diameter is its mean" if rough else "",
    )


def _covariance(shaft: Shaft, noise: NoiseModel, cloud: Cloud) -> Array:
    """Covariance (5, 5) of a shaft's cylinder: noise, fusing, and in a cloud what a thread scatters by beyond that."""
    jacobian = shaft.fit.jacobian[shaft.on]
    cov = propagate(jacobian, shaft.points, noise) + fused_cov(cloud.voxel_mm, shaft.fit.radius)
    beyond = 0.0 if cloud.mesh else shaft.rms**2 - noise.sigma_mm**2
    return np.asarray(cov + max(beyond, 0.0) * np.linalg.inv(jacobian.T @ jacobian), float)


def once(studs: list[Feature]) -> list[Feature]:
    """One stud a shaft, the first: one between two tubes, or through a plate, seems to stand on both."""
    kept: list[Feature] = []
    for s in studs:
        middle = s.point + s.length / 2 * s.axis
        if not any(_in_shaft(middle, k) for k in kept):
            kept.append(s)
    return kept


def _in_shaft(point: Array, stud: Feature) -> bool:
    along = float((point - stud.point) @ stud.axis)
    off = np.linalg.norm(point - stud.point - along * stud.axis)
    return bool(0 < along < stud.length and off < stud.diameter / 2)
