"""The car datum: y from the mirror plane, z from the rail undersides, x from a left/right pair."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from barerail.errors import UsageError
from barerail.geometry.frames import transform, unit
from barerail.geometry.mirror import Mirror, pairs_of
from barerail.records import Array, CleanScan, Datum, Features, Influence, Progress, no_progress
from barerail.settings import DatumSettings

from .build import Made, again, fresh
from .combine import CentrePlane, centre_plane
from .evidence import evidence_of, notes_of, origin_words
from .finest import finish
from .frame import by_parts
from .given import given
from .guide import guide_of
from .pairs import pair_plane
from .recipe import recipe_of
from .rivals import choose, rivals_of
from .signs import hints_of
from .surface import Surface, surface_of

__all__ = ["datum"]


def datum(
    clean: CleanScan,
    features: Features,
    settings: DatumSettings,
    recipe: Mapping[str, Any] | None = None,
    progress: Progress = no_progress,
) -> Datum:
    """The car axes by symmetry, or as `recipe` (of an earlier datum of the same car) makes them, or as given.

    y = 0 is the mirror plane of surface and pairs; z = 0 the lowest long undersides, mean of both sides, made
    perpendicular to y; x = y cross z; x = 0 the mid-point of the best-determined pair. `covariance` (6, 6) is
    J diag(mirror 3x3, level 2x2, origin) J^T with the parts of `finest.finish`, `vertical.level_of` and
    `origin.resting_on`, and J of `frame.by_parts`. `influence`: d(datum) / d(feature's point in scan axes).
    UsageError for --front or --above that can't be; DataError where the scan can't carry a datum.
    """
    if settings.method == "given":
        if recipe is not None:
            raise UsageError("--datum-from and [datum] method = 'given' are two datums; leave one of them out")
        return given(clean, settings)
    surface = surface_of(clean)
    hints = hints_of(clean, settings, surface.middle)
    tree = surface.tree()
    guide = guide_of(features, clean.floor)
    rivals = rivals_of(surface, tree, guide, progress)
    best = choose(rivals, hints, settings)
    along = _along(surface, best.mirror, guide.along)
    smooth = finish(surface, tree, best.mirror, along, features.noise.drift_mm)
    progress(0.9)
    pairs = pairs_of(features.found, surface.middle, smooth.mirror)
    bend = max(smooth.bend, np.sqrt(2) * features.noise.drift_mm)
    paired = pair_plane(pairs, features.found, surface.middle, smooth.mirror, along, bend)
    centre = centre_plane(smooth, paired)
    along = _along(surface, centre.mirror, along)
    if recipe is None:
        made = fresh(clean, features, surface, centre.mirror, along, hints, paired.sound if paired else pairs)
    else:
        made = again(recipe, features, surface, centre.mirror, along, hints)
    assumed = _assumed(clean, settings, made)
    cov, influence = _uncertainty(surface, features, centre, made)
    return Datum(
        car_from_scan=made.frame,
        covariance=cov,
        axes="iso8855",
        origin=origin_words(made),
        method="symmetry",
        assumed=assumed,
        recipe=recipe or recipe_of(features.found, made.frame, made.level.kind, made.origin.features, assumed),
        evidence=evidence_of(clean, features, surface, best, rivals, smooth, paired, centre, made),
        scan_unit=clean.scan.unit,
        mm_per_scan_unit=clean.scan.mm_per_unit,
        influence=influence,
        notes=notes_of(best, rivals, centre, made, settings.rival_ratio),
    )


def _along(surface: Surface, mirror: Mirror, guess: Array | None) -> Array:
    """Unit vector in the mirror plane along the car: the guide's, or the long way of the surface."""
    n = mirror.normal
    if guess is None or abs(guess @ n) > 0.5:
        flat = surface.points - np.outer(surface.points @ n, n)
        guess = np.linalg.eigh(flat.T @ flat)[1][:, 2]
    return unit(guess - (guess @ n) * n)


def _assumed(clean: CleanScan, settings: DatumSettings, made: Made) -> tuple[str, ...]:
    """What was guessed: front, above and unit unless the user confirmed them, the origin, and the size of the drift."""
    guessed = [*made.assumed, *(["unit"] if clean.scan.unit_assumed else [])]
    if settings.confirmed:
        guessed = [g for g in guessed if g == "origin"]
    return tuple(g for g in ("front", "above", "unit", "origin", "drift") if g in [*guessed, "drift"])


def _uncertainty(
    surface: Surface, features: Features, centre: CentrePlane, made: Made
) -> tuple[Array, tuple[Influence, ...]]:
    """Covariance (6, 6) and influences of a finished datum."""
    parts = np.zeros((6, 6))
    parts[:3, :3], parts[3:5, 3:5] = centre.cov, made.level.cov
    parts[5, 5] = made.origin.u**2
    at = [transform(made.frame, features.found[i].point) for i in made.origin.features]
    j = by_parts(made.frame, centre.mirror, surface.middle, made.level_x, float(np.mean(at, axis=0)[2]) if at else 0.0)
    moves = {i: j[:, :3] @ step for i, step in centre.by_feature.items()}
    for i in made.origin.features:
        own = np.outer(j[:, 5], made.frame[0, :3]) / len(made.origin.features)
        moves[i] = moves.get(i, 0.0) + own
    return j @ parts @ j.T, tuple(Influence(i, m) for i, m in sorted(moves.items()))
