"""Where things go: fittings packed along the faces of a rail in a drawn order with drawn gaps, never overlapping."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal
from zlib import crc32

import numpy as np
from manifold3d import Manifold

from barerail.records import Array
from barerail.scene import fittings as fit
from barerail.scene.parts import MIRROR, UP, Mark, Part
from barerail.scene.rail import Face, Rail, Seat

HOLES_MM = (8.5, 10.5, 12.5, 14.0, 16.5, 18.0, 20.0, 25.0, 32.0, 40.0)
LEFT = np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True)
class Item:
    """Something that takes `length` mm of a face. sort: mirrored to both sides, spanning the car, or on one side."""

    length: float
    make: Callable[[Seat], Part]
    sort: Literal["both", "centre", "odd"] = "both"

    def split(self, part: Part) -> "Split":
        if self.sort == "both":
            return Split(part)
        return Split(centre=part) if self.sort == "centre" else Split(odd=(part,))


@dataclass(frozen=True, eq=False)
class Split:
    """The left half (to be mirrored), what spans the car, and what is on one side only."""

    both: Part = field(default_factory=Part)
    centre: Part = field(default_factory=Part)
    odd: tuple[Part, ...] = ()

    def __add__(self, other: "Split") -> "Split":
        return Split(self.both + other.both, self.centre + other.centre, self.odd + other.odd)


Plan = list[tuple[int, Face, list[Item]]]
"""Straight piece, face, and what goes on it."""


@dataclass(frozen=True, eq=False)
class Chassis:
    """body: one solid, the same on both sides; odd: solids on one side only. half_gauge: rail centre to mid plane."""

    body: Manifold
    odd: tuple[Manifold, ...]
    marks: tuple[Mark, ...]
    x_range: tuple[float, float]
    half_gauge: float
    twist_z: float


@dataclass
class Names:
    """Running numbers for feature names: bottom-0, bottom-1, ..."""

    seen: dict[str, int] = field(default_factory=dict)

    def next(self, word: str, tail: str = "L") -> str:
        n = self.seen.get(word, 0)
        self.seen[word] = n + 1
        return f"{word}-{n}{tail}"


@dataclass(frozen=True)
class Jig:
    """Where one of many cars has its fittings: those named (without the side) are off by sd mm along and across their
    faces, drawn from `seed`."""

    varied: frozenset[str] = frozenset()
    sd: float = 0.0
    seed: tuple[int, ...] = ()

    def made(self, item: Item, seat: Seat) -> Split:
        part = item.make(seat)
        name = part.marks[0].name[:-1] if part.marks else ""
        if item.sort != "both" or name not in self.varied:
            return item.split(part)
        rng = np.random.default_rng([*self.seed, crc32(name.encode())])
        left, right = (item.make(seat.moved(*(self.sd * rng.normal(size=2)))) for _ in "LR")
        return Split(centre=left + right.mirrored())


@dataclass(frozen=True, eq=False)
class Kit:
    """Draws fittings of sensible sizes for one rail; `through`: an open section, whose holes show on both faces."""

    rng: np.random.Generator
    rail: Rail
    names: Names
    jig: Jig = Jig()

    @property
    def through(self) -> bool:
        return self.rail.section == "channel"

    def hole(self, word: str, widest: float = 40.0) -> Item:
        d = float(self.rng.choice([d for d in HOLES_MM if d <= widest]))
        name = self.names.next(word)
        shift = float(self.rng.uniform(-4, 4))
        return Item(d + 36, lambda s: fit.hole(name, s.moved(across=shift), d, self.rail.t, self.through))

    def slot(self) -> Item:
        d = float(self.rng.choice([9.0, 11.0, 13.0, 17.0]))
        length = d * float(self.rng.uniform(1.7, 3.2))
        name = self.names.next("slot")
        return Item(length + 36, lambda s: fit.slot(name, s, d, length, self.rail.t, self.through))

    def stud(self) -> Item:
        d, length = float(self.rng.choice([8.0, 10.0, 12.0])), float(self.rng.uniform(22, 40))
        name = self.names.next("stud")
        return Item(60, lambda s: fit.stud(name, s, d, length))

    def clevis(self, word: str, turned: bool = False) -> Item:
        """Two-tab bracket, its bolt along the rail or (turned) across the face."""
        rng = self.rng
        d, tab = float(rng.choice([10.5, 12.5, 14.5, 16.5])), float(rng.choice([4.0, 5.0, 6.0]))
        gap, height = float(rng.uniform(34, 60)), float(rng.uniform(30, 48))
        if turned:
            gap = min(gap, self.rail.w - 2 * tab - 4 * self.rail.t)
        name = self.names.next(word)
        length = d + 64 if turned else gap + 2 * tab + 50

        def make(seat: Seat) -> Part:
            axis = seat.across if turned else seat.along
            return fit.clevis(name, seat, _positive(axis), gap, tab, d, height)

        return Item(length, make)

    def sleeve(self) -> Item:
        """Bushing tube across the car, welded to the face it hangs from."""
        od = float(self.rng.uniform(30, 44))
        bore = od - float(self.rng.uniform(14, 20))
        length = self.rail.w + float(self.rng.uniform(6, 26))
        name = self.names.next("bush")
        return Item(od + 44, lambda s: fit.sleeve(name, s.p + s.n * (od / 2 - 2.5), LEFT, od, bore, length))

    def shelf(self) -> Item:
        out, width = float(self.rng.uniform(62, 85)), float(self.rng.uniform(70, 100))
        d = float(self.rng.choice([12.5, 14.0, 16.5, 22.0]))
        rise = self.rail.h / 2 - 4 * self.rail.t
        name = self.names.next("body")
        return Item(width + 30, lambda s: fit.shelf(name, Seat(s.p + UP * rise, s.n, s.along), out, width, 5.0, d))

    def strap(self) -> Item:
        """A single tab on a drawn side only; its name carries no side letter."""
        d, height = float(self.rng.choice([8.5, 10.5, 12.5])), float(self.rng.uniform(32, 60))
        name, right = self.names.next("extra", ""), bool(self.rng.random() < 0.5)

        def make(seat: Seat) -> Part:
            part = fit.strap(name, seat, seat.along, d, height)
            return part.mirrored() if right else part

        return Item(50, make, "odd")

    def cross_tube(self) -> Item:
        d = float(self.rng.choice([42.4, 48.3, 60.3]))
        name = self.names.next("cross", "")
        return Item(d + 50, lambda s: fit.tube(name, self.rail.landing(s) * MIRROR, self.rail.landing(s), d), "centre")

    def bulkhead(self) -> Item:
        """A panel between the rails, taller than a box rail, between the flanges of a channel."""
        draws = self.rng.uniform(size=4)
        low, high = -self.rail.h * 0.3, self.rail.h * 0.4
        if not self.through:
            high += 160 * float(draws[0])
        sizes = self.rng.choice([d for d in HOLES_MM if d <= 0.4 * (high - low)], 3)
        return Item(70, lambda s: _bulkhead(s, self.rail.landing(s)[1], low, high, draws, sizes), "centre")


def _positive(axis: Array) -> Array:
    return axis if axis[np.argmax(np.abs(axis))] > 0 else -axis


def _bulkhead(seat: Seat, edge: float, low: float, high: float, draws: Array, sizes: Array) -> Part:
    """Panel between y = -edge and edge: two mirrored pairs of holes and an odd one near the middle."""
    half, z, tall = float(seat.p[1]), float(seat.p[2]), high - low
    at = [(half * (0.3 + 0.12 * draws[1]), 0.35), (half * (0.65 + 0.1 * draws[2]), 0.65)]
    holes = [
        (f"panel-{i}{side}", sign * y, z + low + tall * share, float(d))
        for i, ((y, share), d) in enumerate(zip(at, sizes))
        for side, sign in (("L", 1.0), ("R", -1.0))
    ]
    holes.append(("panel-2", half * (0.08 * draws[3] - 0.03), z + low + tall * 0.7, float(sizes[2])))
    return fit.panel(float(seat.p[0]), edge, z + low, z + high, 3.0, holes)


def pack(kit: Kit, piece: int, face: Face, items: Sequence[Item]) -> Split:
    """Items in a drawn order along one face of a straight piece; those are left out for which it is too short."""
    rng, rail = kit.rng, kit.rail
    room = rail.length(piece) - 60.0
    chosen: list[Item] = []
    for k in rng.permutation(len(items)):
        if items[k].length <= room:
            chosen.append(items[k])
            room -= items[k].length
    gaps = rng.dirichlet(np.full(len(chosen) + 1, 3.0)) * room
    split, at = Split(), 30.0
    for item, gap in zip(chosen, gaps):
        at += float(gap)
        split += kit.jig.made(item, rail.on(piece, at + item.length / 2, face))
        at += item.length
    return split


def dress(kit: Kit, plan: Plan, one_sided: int) -> Split:
    """Fill the faces of a rail by plan; `one_sided` straps go on faces drawn from the plan."""
    for k in kit.rng.integers(len(plan), size=one_sided):
        plan[k][2].append(kit.strap())
    split = Split(Part((kit.rail.solid(),), (), (kit.rail.mark("rail-L"),)))
    for piece, face, items in plan:
        split += pack(kit, piece, face, items)
    return split


def finish(rail: Rail, split: Split) -> Chassis:
    """Mirror the left half and weld it all into one solid."""
    whole = split.both + split.both.mirrored() + split.centre
    marks = tuple(m.led() for part in (whole, *split.odd) for m in part.marks)
    x, y, z = rail.path.T
    solids = tuple(part.solid() for part in split.odd)
    return Chassis(whole.solid(), solids, marks, (float(x.min()), float(x.max())), float(y.mean()), float(z.mean()))
