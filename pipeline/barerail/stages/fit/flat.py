"""Flat faces of a scan that nothing else is known of."""

from barerail.geometry.gaps import Face
from barerail.records import CHASSIS, CleanScan
from barerail.stages.fit.cloud import frame_of
from barerail.stages.fit.patches import find_patches
from barerail.stages.fit.surface import surface_of

LEAST_CM2 = 4.0
FEWEST = 100
"""Thinned points of a chassis below which no face is looked for."""


def flat_faces(clean: CleanScan) -> tuple[Face, ...]:
    """The plainly flat faces of a clean scan, largest first."""
    if not clean.near.size or (clean.label == CHASSIS).sum() < FEWEST:
        return ()
    surface = surface_of(clean)
    patches = find_patches(surface, LEAST_CM2, thorough=False)
    return tuple(Face(p.centre, frame_of(surface, p), surface.rows[p.grown]) for p in patches)
