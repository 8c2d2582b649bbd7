"""Registers the whole pattern of a names file before any name is given: a hole further along must not get the name."""

import numpy as np

from barerail.errors import DataError
from barerail.records import Array
from barerail.stages.points.placing import (
    FITS_MM,
    Pattern,
    Placement,
    along,
    placements,
    proposals,
    stays,
)
from barerail.stages.points.rows import Rival, rivals

EXACT_MM = 2.0
"""A file that stands this near is off by what scans and datums scatter, not by a hole (judgement)."""
FEW = 4
"""Fewer fits than this, and less than half of the names, are no evidence (judgement)."""
FEW_FAR = 6
"""Fewer fits than this say nothing of a pattern that stands further off: three pairs (judgement)."""
LONE = 2
"""Names outside a row, more than speak against it, that hold a file which is off (judgement)."""
MANY = 12
TRIED = 6


def register(p: Pattern, reach: float, furthest: float) -> Placement:
    """Where most of the names fit features of their kind, as a small rigid movement of the file.

    Places within `furthest` mm are compared, and from each that may be the one the pattern moved on by up to three
    pitches along every row, both ways (`rows`). DataError where no place is told apart from all others (`_clear`). A
    pattern that must move further than a name may be off needs four names and half of all. Where not all fit, places
    further off along the car are tried, for the file's x = 0 may be another feature's: with six names, half of all, and
    twice as many as any other place it is taken; with six and more than here, refused. Fewer than two fits are no
    pattern: it stays where it is; two or three of a file of more than twice as many are refused. Two or three that fit
    moved on alone stay where they are too, and each is looked for by itself; where even one fits elsewhere within
    `reach` they are refused: in a row with a hole hidden, two names fit moved on by one.
    """
    found = placements(p, proposals(p, furthest))
    rest, best, n = stays(p), found[0], len(p.names)
    off = _further(p, furthest) if best.fits < n else []
    if off and off[0].fits > best.fits:
        second = max([best, *off[1:]], key=lambda q: q.fits)
        if 2 * second.fits <= off[0].fits and 2 * off[0].fits >= n:
            return _told_apart(p, off[:1], reach)
        raise _untold(off[0].fits, off[0].shift, second.fits, second.shift, n)
    if best.fits < 2 or (best.fits == 2 and best.length > reach):
        return rest
    if best.fits < FEW and 2 * best.fits < n:
        raise DataError(
            f"names file: only {best.fits} of {n} names fit, which chance or the datum's own origin holes can "
            "do; set the datum with --datum-from the job the names come from, or take out names of what the scan "
            "doesn't show"
        )
    best = _told_apart(p, found, reach)
    if best.fits >= FEW or best.length <= FITS_MM:
        return best
    if elsewhere := [q for q in found if q is not best and q.fits and q.length <= reach]:
        raise _untold(best.fits, best.shift, elsewhere[0].fits, elsewhere[0].shift, n)
    return rest


def moved_words(shift: Array) -> str:
    """A shift in words, e.g. 20.0 mm forward, 1.2 mm up."""
    words = (("forward", "aft"), ("left", "right"), ("up", "down"))
    parts = [f"{abs(v):.1f} mm {w[0 if v > 0 else 1]}" for v, w in zip(shift, words) if abs(v) >= 0.05]
    return ", ".join(parts) or "not at all"


def _told_apart(p: Pattern, found: list[Placement], reach: float) -> Placement:
    """The one place that is told apart from every other; DataError where none is."""
    refusal: DataError | None = None
    for best in [q for q in found[:TRIED] if q.fits >= 2 and 2 * q.fits >= found[0].fits]:
        others = rivals(p, best, [q for q in found if q is not best and q.fits >= 2])
        others.sort(key=lambda r: (-r.fits, np.linalg.norm(r.step).round(6), *r.step))
        doubt = next((r for r in others if not _clear(best, r, len(p.names), reach)), None)
        if doubt is None:
            return best
        refusal = refusal or _untold(doubt.own, best.shift, doubt.fits, best.shift + doubt.step, len(p.names))
    assert refusal is not None
    raise refusal


def _clear(best: Placement, rival: Rival, n: int, reach: float) -> bool:
    """Whether the best place is told apart from the rival.

    Along a row, names outside of rows must hold the pattern: two more that fit here only than there only; one where
    the file stands as it is, or the rival is twice as far. Where it stands as it is and fewer fit there, two in rows
    of another direction will do, or that all names fit. A dozen of these where a quarter fits there. Elsewhere fewer
    must fit there, of a file that is off half as many.
    """
    exact, far = best.length <= EXACT_MM, float(np.linalg.norm(best.shift + rival.step)) >= 2 * best.length
    if rival.row:
        more = rival.own > rival.fits
        likely = exact or (far and more and best.fits >= FEW)
        held = rival.here - rival.there >= (1 if likely else LONE) and 3 * rival.there <= rival.here
        many = rival.across >= MANY and 4 * rival.fits <= rival.own
        return held or many or (exact and more and (rival.own == n or rival.across >= LONE))
    if best.length <= FITS_MM:
        return rival.fits < rival.own or (best.fits == n and far)
    enough = best.length <= reach or (best.fits >= FEW and 2 * best.fits >= n)
    return enough and 2 * rival.fits <= rival.own


def _further(p: Pattern, furthest: float) -> list[Placement]:
    """Places further along the car than `furthest` mm where enough names fit, the ones with most fits first."""
    return [q for q in placements(p, along(p, furthest)) if q.length > furthest and q.fits >= FEW_FAR]


def _untold(fits: int, shift: Array, other_fits: int, other: Array, n: int) -> DataError:
    rival = _fit_words(other_fits, other, n) if other_fits else "and none as they stand"
    return DataError(
        f"names file: its pattern can't be told from one moved on: {_fit_words(fits, shift, n)}, {rival}; set the "
        "datum with --datum-from the job the names come from, take out names of what the scan doesn't show, or name "
        "more features, outside the row too"
    )


def _fit_words(fits: int, shift: Array, n: int) -> str:
    where = "as they stand" if np.linalg.norm(shift) <= FITS_MM else f"moved {moved_words(shift)}"
    return f"{fits} of {n} names fit {where}"
