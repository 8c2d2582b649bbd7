"""The car datum: by symmetry, by targets (three-two-one, known points), or as given."""

from collections.abc import Mapping
from typing import Any

from barerail.errors import UsageError
from barerail.records import CleanScan, Datum, Features, Progress, no_progress
from barerail.settings import DatumSettings

from .by_targets import WAYS, by_targets
from .given import given
from .names import names_in
from .places import Finder
from .recipe import RULE
from .symmetry import by_symmetry
from .turned import forward, rearward

__all__ = ["OWN", "datum", "names_in"]

OTHER_WAY = {
    "symmetry": ("primary", "secondary", "tertiary", "known", "matrix"),
    "three-two-one": ("known", "matrix", "origin", "origin_x_mm", "underside_z_mm"),
    "known-points": ("primary", "secondary", "tertiary", "matrix", "origin", "origin_x_mm", "underside_z_mm"),
    "given": ("primary", "secondary", "tertiary", "known", "origin", "origin_x_mm", "underside_z_mm", "reference"),
}
OWN = (
    "method",
    "primary",
    "secondary",
    "tertiary",
    "known",
    "matrix",
    "origin",
    "origin_x_mm",
    "underside_z_mm",
    "reference",
)
"""The settings that say by which way the datum is set, and on what."""


def datum(
    clean: CleanScan,
    features: Features,
    settings: DatumSettings,
    recipe: Mapping[str, Any] | None = None,
    progress: Progress = no_progress,
) -> Datum:
    """The car axes by `settings.method`, or as `recipe` (of an earlier datum of the same car) makes them again.

    recipe: of an earlier datum's record, with key `rule`; its key `named` holds where the names in the settings are,
    by name: kind and at_scan_mm, as `names_in` asks for. By symmetry: y = 0 is the mirror plane of surface and pairs;
    z = 0 the lowest long undersides, mean of both sides, made perpendicular to y; x = y cross z; x = 0 the mid-point of
    the best-determined pair. Every way is made x forward, y left, and turned to `settings.axes` at the end.
    `covariance` (6, 6): by symmetry J diag(mirror 3x3, level 2x2, origin) J^T with the parts of `finest.finish`,
    `vertical.level_of` and `origin.resting_on`, and J of `frame.by_parts`; by targets that of `posing.pose`.
    `influence`: d(datum) / d(feature's point in scan axes). UsageError for settings that can't be; DataError where the
    scan can't carry the datum.
    """
    again = {k: v for k, v in recipe.items() if k != "named"} if recipe and "rule" in recipe else None
    _check(settings, again)
    axes = str(again.get("axes", "iso8855")) if again else settings.axes
    ahead = 1.0 if axes == "iso8855" else -1.0
    inner = forward(settings)
    finder = Finder(clean, features, (recipe or {}).get("named", {}))
    way = str(again["rule"]) if again else settings.method
    if way == "given":
        made = given(clean, inner)
    elif way in WAYS:
        made = by_targets(clean, features, inner, finder, again, ahead)
    else:
        made = by_symmetry(clean, features, inner, finder, again, ahead, progress)
    return rearward(made) if ahead < 0 else made


def _check(settings: DatumSettings, again: Mapping[str, Any] | None) -> None:
    """UsageError where settings of two ways meet, or of a way and a recipe."""
    set_too = [key for key in OTHER_WAY[settings.method] if getattr(settings, key)]
    if set_too:
        raise UsageError(
            f"[datum] {set_too[0]} has no meaning with method = {settings.method!r}; leave it out, or choose its method"
        )
    if again is None:
        return
    if again["rule"] not in (RULE, *WAYS):
        raise UsageError(f"datum: a recipe of rule {again['rule']!r} can't be repeated here; {RULE!r} can")
    own = [key for key in ("origin", "origin_x_mm", "underside_z_mm", "reference") if getattr(settings, key)]
    if settings.method != "symmetry" or own or settings.axes not in ("iso8855", again.get("axes", "iso8855")):
        key = own[0] if own else "axes" if settings.method == "symmetry" else f"method = {settings.method!r}"
        raise UsageError(
            f"--datum-from and [datum] {key} are two datums; leave one of them out (--method forgets a recipe)"
        )
