"""The chassis of a case, from its seed."""

import numpy as np

from barerail.scene.case import SceneCase
from barerail.scene.chassis_box import ladder, perimeter
from barerail.scene.chassis_channel import channel
from barerail.scene.chassis_tube import tube
from barerail.scene.layout import Chassis, Jig

DESIGNS = {"perimeter": perimeter, "ladder": ladder, "channel": channel, "tube": tube}


def design(case: SceneCase) -> Chassis:
    """The same chassis for the same sort, seed, small, one_sided and car, whatever the scanner."""
    jig = Jig(frozenset(case.varied), case.varied_mm, (case.seed, case.car))
    rng = np.random.default_rng([case.seed, 0])
    if case.hoop:
        return tube(rng, case.small, case.one_sided, jig, hoop=True)
    return DESIGNS[case.chassis](rng, case.small, case.one_sided, jig)
