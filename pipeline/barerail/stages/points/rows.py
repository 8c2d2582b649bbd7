"""Rivals of a registered names file: the whole pattern moved on by a pitch or more along a row of like holes."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from barerail.geometry.matching import APART, links, tree
from barerail.records import Array, Index
from barerail.stages.points.placing import DISTINCT_MM, FITS_MM, Pattern, Placement, strongest

PITCH_MM = 27.5
"""Widest pitch of a row of adjusting holes: 25 mm is usual, and a tenth more."""
STEPS = (-3, -2, -1, 1, 2, 3)
"""How many holes on a pattern may stand: as many as are likely to be hidden at the end of a row (judgement)."""
SAME_MM = 3.0
TIGHT_MM = 2.5
MOST_ROWS = 12


class Rival(NamedTuple):
    """The pattern moved on by `step` (3,) mm (mean) from where it is taken to stand, and what tells the two apart.

    fits: names that fit there, within the same tolerance as `own` do where it is taken to stand. here, there: names
    that fit in one of the two places only, and that stand in no row; across: less those there only, in rows of another
    direction too. row: whether the step is one along a row.
    """

    step: Array
    fits: int
    own: int
    here: int
    there: int
    across: int
    row: bool


def rivals(p: Pattern, best: Placement, others: Sequence[Placement]) -> list[Rival]:
    """Every other place where at least one name fits: by a pitch or more along each row of the features or the names,
    and those found before."""
    some = p.of(p.voters())
    place = best.moved(some.names)
    steps, within = _steps(p, best), float(np.clip(4 * best.spread, TIGHT_MM, FITS_MM))
    among = _Among(some, place, within)
    moved = [place + _settled(some, place, step) for step in steps] + [q.moved(some.names) for q in others]
    further = [at for at in moved if np.linalg.norm(at - place, axis=1).max() > DISTINCT_MM]
    found = [among.rival(at, steps) for at in further]
    return [r for r in found if r.fits]


def _settled(p: Pattern, place: Array, step: Array) -> Array:
    """The step moved to the median of the names that fit there."""
    distance, j = p.near(place + step, FITS_MM)
    fits = np.isfinite(distance)
    return np.median(p.at[j[fits]] - place[fits], axis=0) if fits.any() else step


def _steps(p: Pattern, best: Placement) -> Array:
    """Moves (k, 3) by up to three pitches along every row, both ways."""
    place = best.moved(p.names)
    both, kind = np.vstack([p.at, place]), np.concatenate([p.at_kind, p.kind])
    pairs = cKDTree(np.column_stack([both, APART * kind])).query_pairs(PITCH_MM, output_type="ndarray")
    way = both[pairs[:, 1]] - both[pairs[:, 0]]
    way = way[np.linalg.norm(way, axis=1) > DISTINCT_MM]
    way *= np.where(way @ [1.0, 1e-3, 1e-6] < 0, -1.0, 1.0)[:, None]
    rows = strongest(way, SAME_MM)[:MOST_ROWS]
    return np.array([k * v for v in rows for k in STEPS]).reshape(-1, 3)


class _Among:
    """Names where they are taken to stand, `place` (n, 3), and those that fit there within `within` mm."""

    def __init__(self, p: Pattern, place: Array, within: float) -> None:
        self.p, self.place, self.within = p, place, within
        self.own = np.isfinite(p.near(place, within)[0])
        self.names = tree(place, p.kind)
        self.beside = self._beside(place)

    def rival(self, there: Array, steps: Array) -> Rival:
        """The rival that has the names at `there` (n, 3)."""
        fits = np.isfinite(self.p.near(there, self.within)[0])
        step = (there - self.place).mean(axis=0)
        only_here, only_there = self.own & ~fits, fits & ~self.own
        here = int((only_here & ~self._in_row(self.beside)).sum())
        across = int((only_here & ~self._in_row(self.beside, step)).sum() - only_there.sum())
        away = int((only_there & ~self._in_row(self._beside(there))).sum()) if only_there.any() else 0
        row = bool((np.linalg.norm(steps - step, axis=1) <= SAME_MM).any())
        return Rival(step, int(fits.sum()), int(self.own.sum()), here, away, across, row)

    def _beside(self, at: Array) -> tuple[Index, Array]:
        """Each like feature and other name within two pitches of a name at `at` (n, 3): which name's, and the way."""
        here = tree(at, self.p.kind)
        which, way = [], []
        for there, places in ((self.p.features, self.p.at), (self.names, self.place)):
            near = links(here, there, 2 * PITCH_MM)
            off = places[near.b] - at[near.a]
            other = np.linalg.norm(off, axis=1) > FITS_MM
            which.append(near.a[other])
            way.append(off[other])
        return np.concatenate(which), np.concatenate(way)

    def _in_row(self, beside: tuple[Index, Array], step: Array | None = None) -> NDArray[np.bool_]:
        """True (n,) for names with anything beside them; with a step, before or behind them along it."""
        which, way = beside
        if step is not None and step.any():
            along = step / np.linalg.norm(step)
            which = which[np.linalg.norm(way - np.outer(way @ along, along), axis=1) < FITS_MM]
        out = np.zeros(len(self.place), bool)
        out[which] = True
        return out
