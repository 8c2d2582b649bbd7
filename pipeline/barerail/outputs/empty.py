"""Empty places of a scan: what the scanner missed altogether, told from what is truly open as far as that can be."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.gaps import Gap, gaps_in
from barerail.geometry.neighbours import components
from barerail.geometry.skins import Face, Shell, Tube
from barerail.records import Array, CleanScan, Datum, Feature, Features, Rail

LEAST_MM = 30.0
"""Narrowest empty place that is told (judgement)."""
SMALL_MM = 8.0
BARE, SURELY_BARE = 0.6, 0.75
"""Share of a rim without a wall from which the metal may go on, and from which it does where the scan shows walls."""
WALLED = 0.3
FEWEST = 10
"""Small openings with walls (a rim less bare than WALLED) that a scan must show before a bare rim says anything, and at
least twice as many as of those half seen (judgement)."""
THERE = 0.6
"""Share of a place mirrored that holds points, from which the metal is taken to be there on both sides."""
TOGETHER_MM = 16.0
"""How far apart gaps of faces that meet in a rounded corner may lie to be one place (judgement)."""
LEAST_TUBE_MM = 60.0
"""A shorter piece of a tube is not looked at (judgement)."""
OPEN = ("hole", "slot", "stud", "sleeve")


@dataclass(frozen=True, eq=False)
class Empty:
    """An empty place over one face or several that meet, the largest gap first. missed: not scanned, for sure."""

    gaps: tuple[Gap, ...]
    missed: bool

    @property
    def at(self) -> Array:
        return self.gaps[0].middle

    @property
    def normal(self) -> Array:
        return self.gaps[0].axes[2]

    @property
    def on_tube(self) -> bool:
        return bool(np.isfinite(self.gaps[0].share))

    @property
    def size(self) -> str:
        lead = self.gaps[0]
        area = sum(g.area_mm2 for g in self.gaps) / 100
        share = f", {100 * lead.share:.0f} % of that tube's surface" if lead.share >= 0.005 else ""
        return f"{lead.wide:.0f} x {max(lead.wide, lead.long):.0f} mm, {area:.0f} cm2{share}"


def empty_by_edges(clean: CleanScan, skins: Sequence[Face | Tube]) -> tuple[Empty, ...]:
    """Empty places where no datum is known, missed ones first: a bare rim tells, where flat faces show walls."""
    if not skins:
        return ()
    shell = Shell.of(clean)
    faces = gaps_in(shell, [s for s in skins if isinstance(s, Face)], SMALL_MM)
    shows = clean.own_normals and _shows_walls(np.array([g.bare for g in faces if g.wide < LEAST_MM]))
    tubes = gaps_in(shell, _long(s for s in skins if isinstance(s, Tube)), LEAST_MM)
    return _places([*faces, *tubes], lambda gap: shows and gap.bare > SURELY_BARE)


def _shows_walls(bare: Array) -> bool:
    walled, half = (bare < WALLED).sum(), ((bare >= WALLED) & (bare < SURELY_BARE)).sum()
    return bool(walled >= FEWEST and walled >= 2 * half)


def empty_by_mirror(clean: CleanScan, features: Features, datum: Datum) -> tuple[Empty, ...]:
    """Empty places in a datum, scan axes, missed ones first: the other side of the car tells what is there."""
    shell = Shell.of(clean)
    other = shell.mirrored(datum.car_from_scan)
    faces: list[Face | Tube] = [Face(p.centre, p.axes, p.members) for p in features.planes]
    faces += tubes_in(features)
    open_here = (g for g in gaps_in(shell, faces, LEAST_MM, other) if not _explained(g, features.found))
    gaps = [g for g in open_here if not any(_shut_in(g, r) for r in features.rails)]
    return _places(gaps, lambda gap: _mirrored(gap, other) > THERE)


def tubes_in(features: Features) -> list[Tube]:
    """The round tubes as far as they were seen, those that were followed as rails first."""
    found = []
    for rail in features.rails:
        if rail.section == "tube" and len(rail.stations) > 1:
            path = np.array([s.centre for s in rail.stations])
            found.append(Tube(path, 0.5 * float(np.median([s.size[0] for s in rail.stations]))))
    seen = [f for f in features.found if f.kind == "tube" and f.detail.get("facing", 1.0) > 0 and len(f.ends) == 2]
    return _long((*found, *(Tube(f.ends, f.diameter / 2) for f in sorted(seen, key=lambda f: -f.length))))


def _long(tubes: Iterable[Tube]) -> list[Tube]:
    """Those of at least LEAST_TUBE_MM, each once: the first of those whose middles lie in one another."""
    kept: list[Tube] = []
    for tube in tubes:
        if tube.length > LEAST_TUBE_MM and not any(_holds(k, tube) for k in kept):
            kept.append(tube)
    return kept


def _holds(tube: Tube, other: Tube) -> bool:
    flat, off = tube.flat(other.path.mean(axis=0)[None])
    return bool(off[0] < 0 and 0 < flat[0, 0] < tube.length)


def _explained(gap: Gap, found: Sequence[Feature]) -> bool:
    """Whether something that was found stands in the gap."""
    spots = np.array([f.point for f in found if f.kind in OPEN]).reshape(-1, 3)
    return bool(len(spots)) and bool(np.any(cKDTree(gap.cells).query(spots)[0] < 1.5 * gap.cell))


def _shut_in(gap: Gap, rail: Rail) -> bool:
    """Whether a gap lies on the inside of a closed rail, where a scanner only gets through holes."""
    on, off = beside(rail, gap.cells.mean(axis=0))
    return rail.section == "box" and on and float(off @ gap.axes[2]) < 0


def beside(rail: Rail, at: Array) -> tuple[bool, Array]:
    """Whether a place lies on a rail, no further off than its section's corners, and how it lies off its centreline."""
    path = np.array([s.centre for s in rail.stations]).reshape(-1, 3)
    if len(path) < 2:
        return False, np.zeros(3)
    a, d = path[:-1], np.diff(path, axis=0)
    share = np.clip(((at - a) * d).sum(1) / np.maximum((d * d).sum(1), 1e-9), 0, 1)
    off = at - a - share[:, None] * d
    best = off[int(np.argmin(np.linalg.norm(off, axis=1)))]
    corner = 0.5 * float(np.hypot(*np.nan_to_num([s.size for s in rail.stations]).max(axis=0)))
    return bool(np.linalg.norm(best) < corner + 3.0), best


def _mirrored(gap: Gap, other: Shell) -> float:
    """Share of a gap where the other side of the car, laid over this one, holds points that face the gap's way."""
    away, row = other.tree.query(gap.cells, distance_upper_bound=max(2 * other.voxel, 6.0))
    turn = np.einsum("ij,ij->i", other.normals[np.minimum(row, len(other.points) - 1)], gap.normals)
    return float((np.isfinite(away) & (turn > 0.7)).mean())


def _places(gaps: Sequence[Gap], missed: Callable[[Gap], bool]) -> tuple[Empty, ...]:
    """Gaps with bare rims, those that meet as one place; missed where its largest gap is."""
    wide = sorted((g for g in gaps if g.wide >= LEAST_MM and g.bare > BARE), key=lambda g: -g.area_mm2)
    trees = [cKDTree(g.cells) for g in wide]
    pairs = [(i, j) for i, a in enumerate(trees) for j, b in enumerate(trees[:i]) if a.count_neighbors(b, TOGETHER_MM)]
    first, second = np.array(pairs, np.int64).reshape(-1, 2).T
    owner = components(len(wide), first, second)
    groups = [[g for g, k in zip(wide, owner) if k == part] for part in dict.fromkeys(owner.tolist())]
    found = [Empty(tuple(group), missed(group[0])) for group in groups]
    return tuple(sorted(found, key=lambda e: not e.missed))
