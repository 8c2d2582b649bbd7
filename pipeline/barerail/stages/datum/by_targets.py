"""The datum by targets, three-two-one or known points: fresh from the settings, or again as a recipe tells."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from barerail.errors import UsageError
from barerail.records import CHASSIS, Array, CleanScan, Datum, Features, NoiseModel
from barerail.settings import DatumSettings

from . import known_points, three_two_one
from .places import Finder
from .posing import Posed, Target, influences, pose
from .rails import rails_to_frame
from .section import Section, section_of
from .seen import seen
from .signs import hints_of
from .target_recipe import recipe_of, targets_again
from .target_words import disagreeing, notes_of, origin_words, rows_of

FAR = 25.0
"""A target that reads this far, mm, from its coordinate contradicts the others (judgement)."""
WAYS = ("three-two-one", "known-points")


def by_targets(
    clean: CleanScan,
    features: Features,
    settings: DatumSettings,
    finder: Finder,
    recipe: Mapping[str, Any] | None,
    ahead: float,
) -> Datum:
    """The datum by `settings.method`, in ISO 8855 axes; `ahead`: as for `origin_words`. UsageError and DataError as
    its parts raise them."""
    method = str(recipe["rule"]) if recipe else settings.method
    middle = clean.thin[clean.label == CHASSIS].mean(0)
    if recipe:
        targets, start = targets_again(recipe, clean, features, finder)
        front = up = "as in the recipe"
        guessed = tuple(g for g in recipe.get("assumed", ()) if g in ("front", "above"))
    elif method == "three-two-one":
        targets = three_two_one.targets_of(settings, finder)
        three_two_one.check(targets)
        start, front, up = three_two_one.start_of(targets, clean, features, settings, middle)
        guessed = tuple(n for n, how in (("front", front), ("above", up)) if how.startswith("guessed"))
    else:
        targets = known_points.targets_of(settings, finder)
        start, front, up, guessed = np.eye(4), "as the known points say", "as the known points say", ()
    posed, weight = _posed(method, targets, start, features, ahead)
    section = Section(*recipe["reference_x_mm"]) if recipe and recipe.get("reference_x_mm") else None
    section = section or section_of(settings.reference, posed.frame, clean, finder)
    used = _inside(targets, posed.frame, section)
    if section and len(used) < len(targets):
        _enough(method, used)
        posed, weight = _posed(method, used, posed.frame, features, ahead)
    _agree(clean, settings, posed.frame, middle)
    if not settings.confirmed and clean.scan.unit_assumed:
        guessed = (*guessed, "unit")
    odd = disagreeing(method, used, posed, weight, features.noise, ahead)
    evidence = {
        "targets": rows_of(method, targets, used, posed, weight, features.noise),
        "disagrees": odd,
        **_twist(method, used, posed, features.noise),
        "rails_to_datum": rails_to_frame(clean, features, posed.frame),
        "front": front,
        "above": up,
        "left_out": _left_out(targets, used, section, ahead),
        "seen_x_mm": seen(clean, posed.frame),
    }
    assumed = tuple(g for g in (*guessed, "drift") if not settings.confirmed or g == "drift")
    return Datum(
        car_from_scan=posed.frame,
        covariance=posed.cov,
        axes="iso8855",
        origin=origin_words(method, used, ahead),
        method=method,
        assumed=assumed,
        recipe=recipe or recipe_of(method, targets, features, posed.frame, section, assumed),
        evidence={k: v for k, v in evidence.items() if v not in (None, "", [])},
        scan_unit=clean.scan.unit,
        mm_per_scan_unit=clean.scan.mm_per_unit,
        influence=influences(used, posed, features),
        notes=notes_of(odd, section, ahead),
    )


def _posed(
    method: str, targets: Sequence[Target], start: Array, features: Features, ahead: float
) -> tuple[Posed, Array]:
    if method == "known-points":
        return known_points.fit(targets, features.noise)
    three_two_one.check(targets)
    made = pose(targets, start, three_two_one.LEVELS, features.noise)
    three_two_one.contradict(targets, made, FAR, ahead)
    return made, np.ones(len(targets))


def _inside(targets: Sequence[Target], frame: Array, section: Section | None) -> tuple[Target, ...]:
    if section is None:
        return tuple(targets)
    return tuple(t for t in targets if section.holds(frame, np.array([p.point for p in t.places])).all())


def _enough(method: str, used: Sequence[Target]) -> None:
    where = " in the reference section"
    if method == "three-two-one":
        three_two_one.check(used, where)
    elif len(used) < 3 * known_points.FEWEST:
        raise UsageError(f"[datum] known{where}: {len(used) // 3} points, {known_points.FEWEST} are needed")


def _agree(clean: CleanScan, settings: DatumSettings, frame: Array, middle: Array) -> None:
    """UsageError where front or above, given too, says otherwise than the targets."""
    hints = hints_of(clean, settings, middle)
    for name, axis, point in (("front", 0, hints.front), ("above", 2, hints.above)):
        if point is not None and frame[axis, :3] @ point < 0:
            raise UsageError(f"--{name} contradicts the targets of [datum]; leave it out, or mend the targets")


def _twist(method: str, used: Sequence[Target], posed: Posed, noise: NoiseModel) -> dict[str, Any]:
    found = three_two_one.lifted(used, posed.residual, posed.frame, noise) if method == "three-two-one" else None
    if found is None:
        return {}
    lift, u = found
    words = "four primary targets are over-determined by one number, the twist: the plane is their best fit"
    return {"twist_of_primary_mm": round(lift, 3), "twist_of_primary_U_mm": round(u, 3), "primary_rule": words}


def _left_out(targets: Sequence[Target], used: Sequence[Target], section: Section | None, ahead: float) -> list[str]:
    if section is None:
        return []
    out = dict.fromkeys(t.words for t in targets if t not in used)
    where = f"outside the reference section, {section.words(ahead)} in a datum of all targets"
    return [f"{name}: {where}" for name in out]
