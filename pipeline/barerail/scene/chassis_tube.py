"""A welded space frame of round tubes: two lower main tubes, upper longerons, uprights, diagonals, cross tubes."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from manifold3d import Manifold

from barerail.records import Array
from barerail.scene import fittings as fit
from barerail.scene.layout import Chassis, Item, Jig, Kit, Names, Split, finish, pack
from barerail.scene.parts import MIRROR, UP, Part
from barerail.scene.rail import Face, Rail, Seat

Node = tuple[str, int]


def tube(rng: np.random.Generator, small: bool, one_sided: int, jig: Jig, hoop: bool = False) -> Chassis:
    """Nodes in four bays along the car, in a lower and an upper row, moved a little by the draw."""
    scale = float(rng.uniform(0.62, 0.68) if small else rng.uniform(0.9, 1.12))
    x = scale * np.array([-1280.0, -700.0, 150.0, 1000.0, 1480.0]) + rng.uniform(-30, 30, 5)
    low_y, high_y = scale * rng.uniform([330, 390], [370, 440])
    high_z = scale * float(rng.uniform(280, 360))
    d = float(rng.choice([50.8, 54.0, 60.3]))
    low = np.column_stack([x, np.full(5, low_y), np.zeros(5)])
    high = np.column_stack([x, np.full(5, high_y), np.full(5, high_z)])
    rail = Rail(low[[0, -1]], d, d, 3.0, "tube")
    names = Names()
    frame = _side(rng, low, high) + _crosses(rng, low, high, d)
    main = Split(Part((rail.solid(),), (), (rail.mark("rail-L"),)) + fit.tube("main-L", low[0], low[-1], d, trim=60.0))
    whole = main + frame + _dressed(rng, low, d, names, one_sided, jig)
    return finish(rail, whole + Split(centre=_hoop(low[1], high_z)) if hoop else whole)


def _hoop(node: Array, high: float, d: float = 38.0, radius: float = 114.0) -> Part:
    """A tube from one main tube up, over and down to the other, beside a node, leaning back; two bends on its way."""
    foot, top = node + np.array([[55.0, 0.0, 0.0], [15.0, -20.0, high + 260.0]])
    return fit.bent_tube("hoop", np.array([foot, top, top * MIRROR, foot * MIRROR]), d, radius, trim=45.0)


def _side(rng: np.random.Generator, low: Array, high: Array) -> Split:
    """Longeron, uprights, diagonals and both sloping ends of the left side."""
    slim = float(rng.choice([28.0, 32.0, 35.0]))
    upper = float(rng.choice([38.0, 42.4]))
    lines = {
        "longeron": (high[1], high[3], upper),
        "tail": (low[0], high[1], upper),
        "nose": (high[3], low[4], upper),
        **{f"upright-{i}": (low[i], high[i], slim) for i in (1, 2, 3)},
        "diagonal-0": (low[2], high[1], slim),
        "diagonal-1": (low[2], high[3], slim),
    }
    part = Part(tuple(_knuckle(high[i], upper) for i in (1, 3)))
    for name, (a, b, d) in lines.items():
        part += fit.tube(f"{name}L" if name[-1].isdigit() else f"{name}-L", a, b, d, trim=75.0)
    return Split(part)


def _knuckle(node: Array, d: float) -> Manifold:
    """Rounds the joint where tubes end on each other."""
    return Manifold.sphere(d / 2, 64).translate(node)


def _crosses(rng: np.random.Generator, low: Array, high: Array, d: float) -> Split:
    out = Split()
    for i, node in enumerate([*low, high[1], high[3]]):
        size = float(rng.choice([38.0, 42.4, 48.3]))
        out += Split(centre=fit.tube(f"cross-{i}", node * MIRROR, node, size, trim=d / 2 + 5))
    return out


def _dressed(rng: np.random.Generator, low: Array, d: float, names: Names, one_sided: int, jig: Jig) -> Split:
    """Brackets, bushes, plates and studs on the main tube, bay by bay, clear of the nodes."""
    clear = np.array([38.0, 0.0, 0.0])
    bays = [Rail(np.vstack([a + clear, b - clear]), d, d, 3.0, "tube") for a, b in pairwise(low)]
    kits = [Kit(rng, bay, names, jig) for bay in bays]
    odd = set(rng.integers(len(bays), size=one_sided).tolist())
    out = Split()
    for i, kit in enumerate(kits):
        out += _bay(kit, "top", [kit.stud()] + ([kit.strap()] if i in odd else []))
        out += _bay(kit, "bottom", [kit.sleeve(), kit.clevis("link", turned=i == 0)])
        out += _bay(kit, "outer", [kit.clevis("arm"), _plate(kit, "outrigger")])
        more = [kit.bulkhead()] if i == 2 else []
        out += _bay(kit, "inner", [_plate(kit, "floor"), _plate(kit, "floor"), *more])
    return out


def _bay(kit: Kit, face: Face, items: list[Item]) -> Split:
    return pack(kit, 0, face, items)


def _plate(kit: Kit, word: str) -> Item:
    """A level plate on the side of a tube, with a hole or a slot, seen on both faces."""
    d, reach = float(kit.rng.choice([8.5, 10.5, 12.5, 16.5])), float(kit.rng.uniform(34, 60))
    name = kit.names.next(word)

    def make(seat: Seat) -> Part:
        return fit.strap(name, replace(seat, along=UP), UP, d, reach, 4.0)

    return Item(d + 60, make)
