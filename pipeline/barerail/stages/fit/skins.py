"""Flat faces and round tubes of a scan that nothing else is known of."""

import numpy as np

from barerail.geometry.cylinder import CylinderFit
from barerail.geometry.skins import Face, Tube
from barerail.records import CHASSIS, CleanScan
from barerail.settings import FitSettings
from barerail.stages.fit.cloud import frame_of
from barerail.stages.fit.cylinders import curved_part, first_cylinders, skin_of
from barerail.stages.fit.patches import find_patches
from barerail.stages.fit.surface import Surface, surface_of
from barerail.stages.fit.tube_runs import run_of
from barerail.stages.fit.tubes import facing

LEAST_CM2 = 4.0
FEWEST = 100
"""Thinned points of a chassis below which no face is looked for."""


def skins_of(clean: CleanScan) -> tuple[Face | Tube, ...]:
    """The plainly flat faces of a clean scan, largest first, then its tubes as far as they run without a break."""
    if not clean.near.size or (clean.label == CHASSIS).sum() < FEWEST:
        return ()
    surface = surface_of(clean)
    patches = find_patches(surface, LEAST_CM2, thorough=False)
    faces = [Face(p.centre, frame_of(surface, p), surface.rows[p.grown]) for p in patches]
    curved = curved_part(surface, patches)
    tubes = [_tube(curved, start) for start in first_cylinders(curved, FitSettings())]
    return (*faces, *(t for t in tubes if t is not None))


def _tube(curved: Surface, start: CylinderFit) -> Tube | None:
    """The tube about a first cylinder; None for a bore."""
    rows = skin_of(curved, start.axis, start.point, start.radius)
    low, high = run_of(curved, rows, start.axis, start.point, start.radius)
    if high <= low or facing(curved, start) < 0:
        return None
    return Tube(start.point + np.outer([low, high], start.axis), start.radius)
