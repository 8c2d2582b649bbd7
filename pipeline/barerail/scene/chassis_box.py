"""Two chassis with box rails: a perimeter frame that is wide in the middle, and a straight ladder."""

import numpy as np

from barerail.scene.layout import LEFT, Chassis, Jig, Kit, Names, Plan, Split, dress, finish
from barerail.scene.parts import MIRROR, Part
from barerail.scene.rail import Rail


def _size(rng: np.random.Generator, small: bool) -> tuple[float, float, float]:
    """Scale of lengths, width and height of a rail."""
    scale = float(rng.uniform(0.56, 0.6) if small else rng.uniform(0.9, 1.15))
    w, h = (50.0, 70.0) if small else (float(rng.choice([60, 70, 80])), float(rng.choice([90, 100, 120])))
    return scale, w, h


def perimeter(rng: np.random.Generator, small: bool, one_sided: int, jig: Jig) -> Chassis:
    """Rear rails raised over the axle, straight sills further out, front rails in and up again."""
    scale, w, h = _size(rng, small)
    x = scale * np.array([-1650.0, -1120.0, -820.0, -560.0, 700.0, 980.0, 1240.0, 1900.0]) * rng.uniform(0.97, 1.03, 8)
    tail, sill, nose = scale * rng.uniform([420, 600, 330], [480, 680, 390])
    rear, front = scale * rng.uniform([130, 60], [200, 120])
    y = np.array([tail, tail, tail, sill, sill, nose, nose, nose])
    z = np.array([rear, rear, 0.0, 0.0, 0.0, 0.0, front, front])
    corners = np.column_stack([x, y, z])
    rail = Rail(corners, w, h, 3.0, bend=110.0 * scale, capped=bool(rng.random() < 0.5))
    kit = Kit(rng, rail, Names(), jig)
    return finish(rail, dress(kit, _perimeter_plan(kit), one_sided) + Split(centre=box_cross(kit)))


def _perimeter_plan(kit: Kit) -> Plan:
    """Pieces: 0 tail, 1 its slope, 2 run-out, 3 sill, 4 run-in, 5 slope, 6 nose (see the corners)."""
    flat = kit.rail.w - 4 * kit.rail.t
    return [
        (0, "bottom", [kit.hole("tail-under", flat - 8), kit.clevis("trailing-arm", turned=True)]),
        (0, "top", [kit.hole("tail-top", flat - 8), kit.stud()]),
        (0, "outer", [kit.hole("tail-side", 25)]),
        (0, "inner", [kit.cross_tube()]),
        (3, "bottom", [kit.hole("sill-under", flat - 8) for _ in range(4)] + [kit.slot(), kit.sleeve()]),
        (3, "outer", [kit.shelf(), kit.shelf(), kit.hole("sill-side", 25)]),
        (3, "top", [kit.hole("sill-top", flat - 8), kit.slot(), kit.stud()]),
        (3, "inner", [kit.cross_tube(), kit.bulkhead(), kit.hole("sill-inner", 32), kit.clevis("link")]),
        (6, "bottom", [kit.hole("nose-under", flat - 8), kit.sleeve()]),
        (6, "outer", [kit.clevis("arm"), kit.clevis("arm")]),
        (6, "top", [kit.hole("nose-top", flat - 8), kit.hole("nose-top", flat - 8), kit.stud()]),
        (6, "inner", [kit.cross_tube(), kit.hole("nose-inner", 25)]),
    ]


def ladder(rng: np.random.Generator, small: bool, one_sided: int, jig: Jig) -> Chassis:
    """Rails straight in plan, raised over the rear axle in three of four draws."""
    scale, w, h = _size(rng, small)
    x = scale * np.array([-1300.0, -760.0, -430.0, 1900.0]) * rng.uniform(0.97, 1.03, 4)
    y = scale * float(rng.uniform(360, 450))
    z = np.array([1.0, 1.0, 0.0, 0.0]) * scale * float(rng.uniform(90, 170)) * (rng.random() < 0.75)
    corners = np.column_stack([x, np.full(4, y), z])
    if z[0] == 0:
        corners = corners[[0, 3]]
    rail = Rail(corners, w, h, 3.0, bend=160.0 * scale, capped=bool(rng.random() < 0.5))
    kit = Kit(rng, rail, Names(), jig)
    return finish(rail, dress(kit, _ladder_plan(kit), one_sided) + Split(centre=box_cross(kit)))


def _ladder_plan(kit: Kit) -> Plan:
    flat = kit.rail.w - 4 * kit.rail.t
    main = len(kit.rail.corners) - 2
    plan: Plan = [
        (main, "bottom", [kit.hole("under", flat - 8) for _ in range(5)] + [kit.slot(), kit.sleeve(), kit.sleeve()]),
        (main, "top", [kit.hole("top", flat - 8) for _ in range(3)] + [kit.slot(), kit.stud(), kit.stud()]),
        (main, "outer", [kit.shelf(), kit.shelf(), kit.clevis("arm"), kit.clevis("arm"), kit.hole("side", 32)]),
        (main, "inner", [kit.cross_tube(), kit.cross_tube(), kit.bulkhead(), kit.hole("inner"), kit.clevis("link")]),
    ]
    if main:
        plan += [
            (0, "bottom", [kit.hole("tail-under", flat - 8), kit.clevis("trailing-arm", turned=True)]),
            (0, "outer", [kit.hole("tail-side", 25), kit.hole("tail-side", 18)]),
            (0, "top", [kit.hole("tail-top", flat - 8), kit.stud()]),
            (0, "inner", [kit.cross_tube()]),
        ]
    return plan


def box_cross(kit: Kit) -> Part:
    """A box cross-member between the front ends of the rails, with a mirrored pair of holes on top."""
    rail = kit.rail
    w, h = rail.w, rail.h * 0.8
    end = rail.on(len(rail.corners) - 2, rail.length(len(rail.corners) - 2) - w / 2 - 4, "inner")
    reach = rail.landing(end) + LEFT
    ends = np.vstack([reach * MIRROR, reach])
    beam = Rail(ends, w, h, 3.0, capped=True)
    holes = Kit(kit.rng, beam, kit.names)
    item = holes.hole("beam-top", w - 20)
    half = item.make(beam.on(0, beam.length(0) * float(kit.rng.uniform(0.6, 0.85)), "top"))
    return Part((beam.solid(),)) + half + half.mirrored()
