"""A ladder of channel rails, webs outside, flanges in: every hole shows on both faces."""

import numpy as np

from barerail.scene.chassis_box import box_cross
from barerail.scene.layout import Chassis, Jig, Kit, Names, Plan, Split, dress, finish
from barerail.scene.rail import Rail


def channel(rng: np.random.Generator, small: bool, one_sided: int, jig: Jig) -> Chassis:
    """Straight in plan; the front dips under the engine in two of three draws."""
    scale = float(rng.uniform(0.56, 0.6) if small else rng.uniform(0.9, 1.15))
    w, h, t = (50.0, 90.0, 3.5) if small else (float(rng.choice([60, 70, 80])), float(rng.choice([120, 140, 160])), 5.0)
    x = scale * np.array([-1750.0, 620.0, 950.0, 1700.0]) * rng.uniform(0.97, 1.03, 4)
    y = scale * float(rng.uniform(370, 440))
    z = np.array([0.0, 0.0, 1.0, 1.0]) * -scale * float(rng.uniform(70, 120)) * (rng.random() < 0.67)
    corners = np.column_stack([x, np.full(4, y), z])
    if z[3] == 0:
        corners = corners[[0, 3]]
    rail = Rail(corners, w, h, t, "channel", bend=220.0 * scale)
    kit = Kit(rng, rail, Names(), jig)
    return finish(rail, dress(kit, _plan(kit), one_sided) + Split(centre=box_cross(kit)))


def _plan(kit: Kit) -> Plan:
    flat = kit.rail.w - 4 * kit.rail.t
    plan: Plan = [
        (0, "outer", [kit.hole("web") for _ in range(6)] + [kit.shelf(), kit.clevis("spring"), kit.clevis("spring")]),
        (0, "bottom", [kit.hole("sole", flat - 4) for _ in range(3)] + [kit.slot(), kit.sleeve(), kit.sleeve()]),
        (0, "top", [kit.hole("flange", flat - 4) for _ in range(4)] + [kit.slot(), kit.stud()]),
        (0, "inner", [kit.cross_tube(), kit.cross_tube(), kit.bulkhead()]),
    ]
    if len(kit.rail.corners) > 2:
        plan += [
            (2, "outer", [kit.hole("dip-web", 32), kit.shelf(), kit.clevis("arm")]),
            (2, "bottom", [kit.hole("dip-sole", flat - 4), kit.sleeve()]),
            (2, "top", [kit.hole("dip-flange", flat - 4), kit.stud()]),
            (2, "inner", [kit.cross_tube()]),
        ]
    return plan
