"""Fit: from a clean scan to planes, rails, and everything that gets bolted or welded on, in scan axes.

The thinned scan finds things; every number comes from the full-resolution points near them.
"""

from dataclasses import replace

from barerail.errors import DataError
from barerail.forked import mapped
from barerail.records import CleanScan, Features, Note, Plane, Progress, no_progress
from barerail.settings import FitSettings
from barerail.stages.fit.bends import bends_of
from barerail.stages.fit.brackets import bolt_axes
from barerail.stages.fit.chains import chained
from barerail.stages.fit.cloud import cloud_of, face_of
from barerail.stages.fit.edges import without_doubtful
from barerail.stages.fit.face_studs import studs_over
from barerail.stages.fit.faces import mounting_faces
from barerail.stages.fit.holes import Told, features_of, told_in
from barerail.stages.fit.hoses import without_hoses
from barerail.stages.fit.joints import with_joints
from barerail.stages.fit.nodes import tube_nodes
from barerail.stages.fit.noise import noise_of
from barerail.stages.fit.patches import find_patches
from barerail.stages.fit.planes import plane_of
from barerail.stages.fit.rails import rails_of
from barerail.stages.fit.runs import reach, side_by_side
from barerail.stages.fit.shafts import once
from barerail.stages.fit.sleeves import sleeves_in
from barerail.stages.fit.studs import shafts_on_faces
from barerail.stages.fit.surface import surface_of
from barerail.stages.fit.tube_rails import tube_rails
from barerail.stages.fit.tubes import rounds_of, tubes_of

PATCH_MIN_CM2 = 4.0
"""Smallest flat piece looked at for holes, cm2: a tab about a 10 mm hole (judgement)."""


def fit(clean: CleanScan, settings: FitSettings, progress: Progress = no_progress) -> Features:
    """Find and measure all features. DataError where the scan holds not one flat face."""
    surface = surface_of(clean)
    progress(0.1)
    patches = find_patches(surface, PATCH_MIN_CM2)
    if not patches:
        raise DataError("fit: no flat face found in the scan; is the unit right, and is this a chassis?")
    progress(0.3)
    cloud = cloud_of(clean, surface)
    round_only, starts = rounds_of(cloud, patches, settings)
    noise, joined = with_joints(noise_of(cloud, patches, round_only, starts, settings), clean.scan.sources)
    cloud = replace(cloud, sigma=noise.sigma_mm)
    progress(0.45)

    def looked_at(i: int) -> tuple[Plane, list[Told]]:
        plane = plane_of(cloud, patches[i], noise)
        return plane, told_in(face_of(cloud, patches[i], i), plane.rms, cloud, noise, settings)

    seen = mapped(looked_at, range(len(patches)), lambda share: progress(0.45 + 0.3 * share))
    planes = tuple(plane for plane, _ in seen)
    found, notes = features_of([told for _, each in seen for told in each], cloud.mesh)
    progress(0.75)
    studs = [f for f in found if f.kind == "stud"]
    round_only = replace(round_only, sigma=noise.sigma_mm)
    tubes, on_tubes = tubes_of(round_only, starts, noise, settings, studs)
    tubes, found = sleeves_in(tubes, [f for f in found if f.kind != "stud"], cloud, noise)
    tubes, on_faces = shafts_on_faces(tubes, planes, cloud.voxel_mm)
    tubes, edges = without_doubtful(tubes, cloud)
    studs += on_tubes + on_faces
    studs += studs_over(planes, tubes + studs, cloud, round_only, noise)
    studs, rolled = without_doubtful(once(sorted(studs, key=lambda f: f.length)), cloud)
    found = bolt_axes(found, planes, cloud.voxel_mm) + tubes + studs
    found, bends, hoses = without_hoses(found, bends_of(cloud, found, noise), cloud)
    bent = chained(found, bends)
    found += tube_nodes(found, bent)
    progress(0.9)
    rails = rails_of(cloud, patches, planes, noise, settings)
    flats, left_out = mounting_faces(cloud, planes, found, rails)
    found, notes = found + flats, notes + edges + rolled + hoses + left_out
    dropped = sum(r.dropped for r in rails)
    if dropped:
        why = "too little of two faces seen, or another section beside the rail's line"
        notes += (Note("fit", f"rail stations dropped: {why}", dropped),)
    if not side_by_side(rails):
        long, said = tube_rails(round_only, starts, noise, settings)
        if long and not side_by_side(rails, 0.5 * max(map(reach, long))):
            rails, notes = (*rails, *long), (*notes, *said)
    return Features(planes, tuple(found), rails, noise, clean.spacing_mm, (*joined, *notes), bent)
