"""Registers the whole pattern of a names file before any name is given: a hole further along must not get the name."""

from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from barerail.errors import DataError
from barerail.geometry.matching import APART, links, tree
from barerail.records import Array, Index

FITS_MM = 7.5
"""A name fits where a feature of its kind is this near: half the least usual pitch of adjusting holes, 15 mm."""
DISTINCT_MM = 10.0
FEW = 4
"""Fewer fits than this, and less than half of the names, are no evidence (judgement)."""
FEW_FAR = 6
"""Fewer fits than this say nothing of a pattern that stands further off: three pairs (judgement)."""
VOTERS = 400
VOTES = 100_000
PROPOSALS = 40


class Placement(NamedTuple):
    """The pattern moved by `shift` (3,) mm: how many names fit, and the median distance of those."""

    shift: Array
    fits: int
    spread: float


def register(names: Array, kind: Index, features: cKDTree, at: Array, reach: float, furthest: float) -> Placement:
    """The shift of `names` (n, 3), mm, that lets most of them fit features of their `kind` (n,).

    features: `matching.tree` of the features' places `at`, mm. Places within `furthest` mm are compared. DataError
    where another one explains the names as well: as many fit, and not all do as they stand; or all fit at both, and
    the other is less than twice as far. A pattern that must move further than a name may be off by needs four names,
    half of all, and twice as many as any other place. Where not all fit there, places further off along the car are
    tried, for the file's x = 0 may be another feature's: with six names, half of all, and twice as many as any other
    place it is taken; with six and more than here, refused. Fewer than two fits are no pattern: it stays where it is;
    two or three of a file of more than twice as many are refused. Two or three that fit moved on alone stay where they
    are too, and each is looked for by itself; where even one fits elsewhere within `reach` they are refused: in a row
    with a hole hidden, two names fit moved on by one.
    """
    found = _placements(names, kind, features, at, _proposals(names, kind, features, at, furthest))
    rest = Placement(np.zeros(3), 0, float("nan"))
    best, rivals = found[0], [p for p in found[1:] if p.fits >= 2]
    off = _further(names, kind, features, at, furthest) if best.fits < len(names) else []
    if off and off[0].fits > best.fits:
        second = max([best, *off[1:]], key=lambda p: p.fits)
        if 2 * second.fits <= off[0].fits and 2 * off[0].fits >= len(names):
            return off[0]
        raise _untold(off[0], second, len(names))
    if best.fits < 2 or (best.fits == 2 and _length(best) > reach):
        return rest
    if best.fits < FEW and 2 * best.fits < len(names):
        raise DataError(
            f"names file: only {best.fits} of {len(names)} names fit, which chance or the datum's own origin holes can "
            "do; set the datum with --datum-from the job the names come from, or take out names of what the scan "
            "doesn't show"
        )
    rival = max(rivals, key=lambda p: (p.fits, -_length(p)), default=rest)
    if not _clear(best, rival, len(names), reach):
        raise _untold(best, rival, len(names))
    if best.fits >= FEW or _length(best) <= FITS_MM:
        return best
    if elsewhere := [p for p in found[1:] if p.fits and _length(p) <= reach]:
        raise _untold(best, elsewhere[0], len(names))
    return rest


def moved_words(shift: Array) -> str:
    """A shift in words, e.g. 20.0 mm forward, 1.2 mm up."""
    words = (("forward", "aft"), ("left", "right"), ("up", "down"))
    parts = [f"{abs(v):.1f} mm {w[0 if v > 0 else 1]}" for v, w in zip(shift, words) if abs(v) >= 0.05]
    return ", ".join(parts) or "not at all"


def _clear(best: Placement, rival: Placement, n: int, reach: float) -> bool:
    if _length(best) <= FITS_MM:
        return rival.fits < best.fits or (best.fits == n and _length(rival) >= 2 * _length(best))
    enough = _length(best) <= reach or (best.fits >= 4 and 2 * best.fits >= n)
    return enough and 2 * rival.fits <= best.fits


def _further(names: Array, kind: Index, features: cKDTree, at: Array, furthest: float) -> list[Placement]:
    """Places further along the car than `furthest` mm where enough names fit, the ones with most fits first."""
    found = _placements(names, kind, features, at, _along(names, kind, features, at, furthest))
    return [p for p in found if _length(p) > furthest and p.fits >= FEW_FAR]


def _placements(names: Array, kind: Index, features: cKDTree, at: Array, proposals: Array) -> list[Placement]:
    """Distinct shifts, the ones with most fits first, of those the nearer first."""
    shifts = np.vstack([np.zeros(3), proposals])
    refined = [_refined(shift, names, kind, features, at) for shift in shifts]
    refined.sort(key=lambda p: (-p.fits, round(_length(p), 6), *p.shift))
    kept: list[Placement] = []
    for p in refined:
        if all(np.linalg.norm(p.shift - q.shift) > DISTINCT_MM for q in kept):
            kept.append(p)
    return kept


def _proposals(names: Array, kind: Index, features: cKDTree, at: Array, furthest: float) -> Array:
    """Shifts (m, 3) that many names vote for, at most 400 names voting, strongest first."""
    voters = _voters(names)
    found = links(tree(names[voters], kind[voters]), features, furthest)
    return _strongest(at[found.b] - names[voters][found.a])


def _along(names: Array, kind: Index, features: cKDTree, at: Array, furthest: float) -> Array:
    """`_proposals` at any distance along the car: y = 0 is the mirror plane in every datum, the level may differ."""
    of = np.rint(np.asarray(features.data)[:, 3] / APART)
    votes = [np.zeros((0, 3))]
    for i in _voters(names):
        vote = at[of == kind[i]] - names[i]
        votes.append(vote[(np.abs(vote[:, 1]) <= FITS_MM) & (np.abs(vote[:, 2]) <= furthest)])
    cast = np.concatenate(votes)
    return _strongest(cast[:: len(cast) // VOTES + 1])


def _voters(names: Array) -> Index:
    return np.unique(np.linspace(0, len(names) - 1, min(len(names), VOTERS)).astype(np.int64))


def _strongest(votes: Array) -> Array:
    """Shifts (m, 3) with the most votes about them, strongest first."""
    if len(votes) == 0:
        return votes
    order = np.argsort(np.linalg.norm(votes, axis=1).round(6), kind="stable")
    votes = votes[order]
    strength = np.array(cKDTree(votes).query_ball_point(votes, FITS_MM, return_length=True), float)
    kept: list[Array] = []
    while len(kept) < PROPOSALS and strength.max() > 0:
        kept.append(votes[np.argmax(strength)])
        strength[np.linalg.norm(votes - kept[-1], axis=1) <= FITS_MM] = 0
    return np.array(kept)


def _refined(shift: Array, names: Array, kind: Index, features: cKDTree, at: Array) -> Placement:
    """The shift moved to the median of what fits, three times or until it stays, and what fits there."""
    for _ in range(4):
        found = features.query(np.column_stack([names + shift, APART * kind]), distance_upper_bound=FITS_MM)
        distance, j = np.asarray(found[0]), np.asarray(found[1])
        fits = np.isfinite(distance)
        if not fits.any():
            return Placement(shift, 0, float("nan"))
        last, shift = shift, np.median(at[j[fits]] - names[fits], axis=0)
        if np.array_equal(last, shift):
            break
    return Placement(last, int(fits.sum()), float(np.median(distance[fits])))


def _length(p: Placement) -> float:
    return float(np.linalg.norm(p.shift))


def _untold(best: Placement, rival: Placement, n: int) -> DataError:
    other = _fit_words(rival, n) if rival.fits else "and none as they stand"
    return DataError(
        f"names file: its pattern can't be told from one moved on: {_fit_words(best, n)}, {other}; set the datum with "
        "--datum-from the job the names come from, take out names of what the scan doesn't show, or name more features"
    )


def _fit_words(p: Placement, n: int) -> str:
    where = "as they stand" if _length(p) <= FITS_MM else f"moved {moved_words(p.shift)}"
    return f"{p.fits} of {n} names fit {where}"
