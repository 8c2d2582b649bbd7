"""Rival mirror planes: refined, scored and ranked, so that a near-symmetry the wrong way is seen and said."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.errors import DataError, UsageError
from barerail.forked import mapped
from barerail.geometry.frames import unit
from barerail.geometry.mirror import Mirror
from barerail.records import Array, Frozen, Progress, no_progress
from barerail.settings import DatumSettings

from .candidates import candidates, same_plane
from .finest import tight
from .guide import Guide
from .refine import refine
from .signs import Hints
from .surface import Surface

START = 10
KEPT = 4
UNLIKELY = 0.8
"""What the score of a plane counts for that mirrors the rails onto themselves, fore and aft or up and down (judgement:
a car is longer than wide, and its two sides lie apart across its rails)."""
TIGHT = 8.0


@dataclass(frozen=True, eq=False)
class Rival(Frozen):
    """A refined plane; score: 0 to 1, how well the whole surface mirrors within 8 mm; rank: with the prior."""

    mirror: Mirror
    score: float
    likely: bool

    @property
    def rank(self) -> float:
        return self.score * (1.0 if self.likely else UNLIKELY)


def rivals_of(surface: Surface, tree: cKDTree, guide: Guide, progress: Progress = no_progress) -> list[Rival]:
    """The distinct mirror planes of the scan, the best first, up to four; `tree`: of the surface."""
    rough = surface.picks(30.0)
    guesses = [a for a in (guide.along, guide.across) if a is not None]
    starts = candidates(rough, guesses, START)
    progress(0.2)
    near = rough.tree
    few = rough.fewer(2500)
    coarse = mapped(lambda m: refine(few, rough, near, m, (120.0, 60.0, 40.0), 30.0, 0.5), starts)
    fair = _scored([m for m in coarse if m is not None], surface, tree, rough, guide)
    progress(0.5)
    some = surface.picks(10.0).fewer(5000)
    slide = 1.5 * surface.spacing
    fine = mapped(lambda r: refine(some, surface, tree, r.mirror, (30.0, 15.0), slide, 0.05), fair[:KEPT])
    ranked = _scored([m for m in fine if m is not None], surface, tree, some, guide)
    if not ranked:
        raise DataError(
            "datum: no mirror plane found, the scan shows no two sides that match; scan both sides of the frame"
        )
    return ranked


def _scored(mirrors: list[Mirror], surface: Surface, tree: cKDTree, probes: Surface, guide: Guide) -> list[Rival]:
    distinct: list[Rival] = []
    for m in mirrors:
        if not any(same_plane(m, r.mirror, 3.0, 30.0) for r in distinct):
            distinct.append(Rival(m, tight(probes, surface, tree, m, TIGHT), guide.likely(m.normal)))
    return sorted(distinct, key=lambda r: -r.rank)


def choose(rivals: list[Rival], hints: Hints, settings: DatumSettings) -> Rival:
    """The best rival that agrees with the user's front and above.

    A centre plane holds the way to the front and the way up, so a plane across either of them is out. UsageError where
    that leaves none that mirrors half as well as the best, DataError where the best two are too close to call.
    """
    left = [r for r in rivals if not _across(r.mirror, hints.front, 45.0) and not _across(r.mirror, hints.above, 25.0)]
    if not left or left[0].score < 0.5 * max(r.score for r in rivals):
        raise UsageError("datum: --front and --above point across the frame's own mirror plane; check both points")
    if ratio(left) < settings.rival_ratio:
        raise DataError(
            f"datum: two mirror planes fit nearly as well as each other (scores {left[0].score:.3f} and "
            f"{left[1].score:.3f}, {_between(left)} apart); give a point with --front, or scan more of the frame"
        )
    return left[0]


def _across(mirror: Mirror, way: Array | None, degrees: float) -> bool:
    """Whether the plane lies across `way`, within so many degrees."""
    return way is not None and abs(float(mirror.normal @ unit(way))) > np.cos(np.radians(degrees))


def ratio(rivals: list[Rival]) -> float:
    """Rank of the best over that of the next; infinite without a next."""
    return rivals[0].rank / max(rivals[1].rank, 1e-9) if len(rivals) > 1 else float("inf")


def _between(rivals: list[Rival]) -> str:
    a, b = (r.mirror for r in rivals[:2])
    cosine = min(1.0, abs(float(a.normal @ b.normal)))
    angle = float(np.degrees(np.arccos(cosine)))
    return f"{angle:.0f} degrees" if angle > 3 else f"{abs(a.offset - np.sign(a.normal @ b.normal) * b.offset):.0f} mm"
