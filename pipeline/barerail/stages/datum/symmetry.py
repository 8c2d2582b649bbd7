"""The datum by symmetry: y from the mirror plane, z from the rail undersides, x from a left/right pair."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import transform, unit
from barerail.geometry.mirror import KINDS, Mirror, pairs_of
from barerail.geometry.tube_pair import TubePair
from barerail.records import Array, CleanScan, Datum, Features, Frozen, Influence, Note, Progress
from barerail.settings import DatumSettings

from .build import Made, again, fresh
from .combine import CentrePlane, centre_plane
from .evidence import evidence_of, notes_of, origin_words
from .finest import SurfacePlane, finish
from .frame import by_parts
from .guide import guide_of
from .pairs import PairPlane, pair_plane
from .places import Finder, parts_of
from .recipe import Stand, recipe_of
from .rivals import Rival, choose, rivals_of
from .section import Section, limited, section_of
from .seen import seen
from .signs import Hints, hints_of
from .surface import Surface, surface_of
from .tube_undersides import chosen_among, said


@dataclass(frozen=True, eq=False)
class _Pass(Frozen):
    """The planes and the frame from a scan, or from the section of it that carries the datum."""

    surface: Surface
    features: Features
    smooth: SurfacePlane
    paired: PairPlane | None
    centre: CentrePlane
    made: Made


def by_symmetry(
    clean: CleanScan,
    features: Features,
    settings: DatumSettings,
    finder: Finder,
    recipe: Mapping[str, Any] | None,
    ahead: float,
    progress: Progress,
) -> Datum:
    """The datum by symmetry, or as `recipe` repeats it, in ISO 8855 axes. `ahead`: as for `origin_words`."""
    surface = surface_of(clean)
    hints = hints_of(clean, settings, surface.middle)
    guide = guide_of(features, clean.floor)
    rivals = rivals_of(surface, surface.tree, guide, progress)
    best = choose(rivals, hints, settings)
    at, stand = _origin(settings, finder), Stand(settings.origin_x_mm, settings.underside_z_mm)
    one = _pass(clean, features, surface, best.mirror, guide.along, hints, recipe, at, stand)
    whole, section = one, _section(settings, recipe, one.made.frame, clean, finder)
    if section:
        one = _again_in(section, one, clean, features, best, recipe, at, stand)
    progress(0.9)
    made = one.made
    tubes = chosen_among(one.features, made.rough) if made.level.kind == "tube" else None
    assumed = _assumed(clean, settings, made, tubes)
    cov, influence = _uncertainty(one.surface, one.features, one.centre, made)
    evidence = evidence_of(clean, one.features, one.surface, best, rivals, one.smooth, one.paired, one.centre, made)
    reference = (section.low, section.high) if section else None
    return Datum(
        car_from_scan=made.frame,
        covariance=cov,
        axes="iso8855",
        origin=origin_words(made, ahead),
        method="symmetry",
        assumed=assumed,
        recipe=recipe
        or recipe_of(features.found, made.frame, made.level.kind, made.origin.features, assumed, made.stand, reference),
        evidence={**evidence, "seen_x_mm": seen(clean, made.frame), **_apart(section, whole.made, made)},
        scan_unit=clean.scan.unit,
        mm_per_scan_unit=clean.scan.mm_per_unit,
        influence=influence,
        notes=(*notes_of(best, rivals, one.centre, made, settings.rival_ratio), *_said(section, tubes, ahead)),
    )


def _pass(
    clean: CleanScan,
    features: Features,
    surface: Surface,
    mirror: Mirror,
    guess: Array | None,
    hints: Hints,
    recipe: Mapping[str, Any] | None,
    at: tuple[int, ...],
    stand: Stand,
) -> _Pass:
    along = _along(surface, mirror, guess)
    smooth = finish(surface, surface.tree, mirror, along, features.noise.drift_mm)
    pairs = pairs_of(features.found, surface.middle, smooth.mirror)
    bend = max(smooth.bend, np.sqrt(2) * features.noise.drift_mm)
    paired = pair_plane(pairs, features.found, surface.middle, smooth.mirror, along, bend, smooth.bends)
    centre = centre_plane(smooth, paired)
    along = _along(surface, centre.mirror, along)
    if recipe:
        made = again(recipe, features, surface, centre.mirror, along, hints)
    else:
        sound = paired.sound if paired else pairs
        made = fresh(clean, features, surface, centre.mirror, along, hints, sound, at, stand)
    return _Pass(surface, features, smooth, paired, centre, made)


def _section(
    settings: DatumSettings, recipe: Mapping[str, Any] | None, frame: Array, clean: CleanScan, finder: Finder
) -> Section | None:
    if recipe:
        return Section(*recipe["reference_x_mm"]) if recipe.get("reference_x_mm") else None
    return section_of(settings.reference, frame, clean, finder)


def _again_in(
    section: Section,
    whole: _Pass,
    clean: CleanScan,
    features: Features,
    best: Rival,
    recipe: Mapping[str, Any] | None,
    at: tuple[int, ...],
    stand: Stand,
) -> _Pass:
    """The same on the section alone; front and up as on the whole. DataError where a named origin lies outside."""
    frame = whole.made.frame
    part, kept = limited(clean, features, frame, section)
    rests = whole.made.origin.features if recipe else at
    if any(not np.all(np.isfinite(kept.found[i].cov)) for i in rests):
        raise DataError("datum: the origin lies outside the reference section; name one inside it")
    surface = surface_of(part)
    hints = Hints(1000.0 * frame[0, :3], 1000.0 * frame[2, :3])
    n, offset = best.mirror.normal, best.mirror.offset
    mirror = Mirror(n, offset + float(n @ (whole.surface.middle - surface.middle)))
    one = _pass(part, kept, surface, mirror, frame[0, :3], hints, recipe, at, stand)
    made = replace(one.made, front=whole.made.front, up=whole.made.up, assumed=whole.made.assumed)
    return replace(one, made=made)


def _origin(settings: DatumSettings, finder: Finder) -> tuple[int, ...]:
    """The features that [datum] origin names; none for the best-determined pair."""
    if not settings.origin:
        return ()
    rows = tuple(finder.of(part).feature for part in parts_of(settings.origin))
    if len(rows) > 2 or min(rows) < 0 or len(set(rows)) < len(rows):
        raise UsageError(f"[datum] origin = {settings.origin!r}: give one feature's name, or A..B for two of them")
    for kind in (finder.features.found[i].kind for i in rows):
        if kind not in KINDS:
            raise UsageError(f"[datum] origin = {settings.origin!r}: a {kind} can't be it; take {', '.join(KINDS)}")
    return rows


def _apart(section: Section | None, whole: Made, made: Made) -> dict[str, Any]:
    """How the datum of the section differs from that of the whole: the car moved so, at its origin, mm and degrees."""
    if section is None:
        return {}
    m = made.frame @ np.linalg.inv(whole.frame)
    turns = {"roll_deg": m[2, 1], "pitch_deg": m[0, 2], "yaw_deg": m[1, 0]}
    less = {f"{axis}_mm": round(float(v), 3) for axis, v in zip("xyz", m[:3, 3])}
    less |= {name: round(float(np.degrees(v)), 4) for name, v in turns.items()}
    return {"reference_x_mm": [section.low, section.high], "reference_less_whole": less}


def _said(section: Section | None, tubes: TubePair | None, ahead: float) -> tuple[Note, ...]:
    notes = [] if tubes is None else [said(tubes)]
    if section is not None:
        notes.append(Note("datum", f"the datum rests on the reference section alone, {section.words(ahead)}"))
    return tuple(notes)


def _along(surface: Surface, mirror: Mirror, guess: Array | None) -> Array:
    """Unit vector in the mirror plane along the car: the guide's, or the long way of the surface."""
    n = mirror.normal
    if guess is None or abs(guess @ n) > 0.5:
        flat = surface.points - np.outer(surface.points @ n, n)
        guess = np.linalg.eigh(flat.T @ flat)[1][:, 2]
    return unit(guess - (guess @ n) * n)


def _assumed(clean: CleanScan, settings: DatumSettings, made: Made, tubes: TubePair | None) -> tuple[str, ...]:
    """What was guessed: front, above and unit unless the user confirmed them, the origin, which of several round tubes
    are the rails, and the size of the drift."""
    guessed = [*made.assumed, *(["unit"] if clean.scan.unit_assumed else [])]
    if settings.confirmed:
        guessed = [g for g in guessed if g == "origin"]
    guessed += ["drift"] if tubes is None else ["rails", "drift"]
    return tuple(g for g in ("front", "above", "unit", "origin", "rails", "drift") if g in guessed)


def _uncertainty(
    surface: Surface, features: Features, centre: CentrePlane, made: Made
) -> tuple[Array, tuple[Influence, ...]]:
    """Covariance (6, 6) and influences of a finished datum."""
    parts = np.zeros((6, 6))
    parts[:3, :3], parts[3:5, 3:5] = centre.cov, made.level.cov
    parts[5, 5] = made.origin.u**2
    at = [transform(made.frame, features.found[i].point) for i in made.origin.features]
    read = np.asarray(np.round(np.mean(at, axis=0)), float) if at else np.zeros(3)
    j = by_parts(made.frame, centre.mirror, surface.middle, made.level_x, read)
    moves = {i: j[:, :3] @ step for i, step in centre.by_feature.items()}
    for i in made.origin.features:
        own = np.outer(j[:, 5], made.frame[0, :3]) / len(made.origin.features)
        moves[i] = moves.get(i, 0.0) + own
    return j @ parts @ j.T, tuple(Influence(i, m) for i, m in sorted(moves.items()))
