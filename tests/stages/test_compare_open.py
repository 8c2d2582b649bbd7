"""What a comparison can't tell: no points, supports of no size, points that span nothing."""

from dataclasses import replace

import numpy as np
import pytest
from compare_case import QUIET, car, earlier, pulled, scanned
from datum_case import GAUGE, KICKED, features_of, some_pose, straight

from barerail.asked import CompareSettings
from barerail.comparing import as_stood
from barerail.outputs.moved import moved_files, moved_words
from barerail.records import MountPoints, Moves, Wanted
from barerail.settings import PointsSettings, StraightnessSettings
from barerail.stages.compare import against, compare, laid
from barerail.stages.points import points

NONE = MountPoints((), ())
KNOWN, OPEN = StraightnessSettings(supports_known=True), StraightnessSettings(elastic_mm=0.0)


def bulkhead(asked: CompareSettings) -> Moves:
    """Eight holes in a plane of x = 0 of the drawing, one of them 3 mm off."""
    rng = np.random.default_rng(3)
    at = np.column_stack([np.zeros(8), rng.uniform(-400, 400, 8), rng.uniform(0, 300, 8)])
    pose = some_pose(3)
    found = points(features_of(KICKED, straight, pose), car(pose), (), PointsSettings()).points
    made = [p for p in found if p.kind == "hole"][:8]
    off = at + 3.0 * (np.arange(8) == 5)[:, None] * [0, 1, 0]
    seen = tuple(replace(p, position=q) for p, q in zip(made, off))
    wanted = tuple(Wanted(i, p.name, "hole", tuple(q.tolist())) for i, (p, q) in enumerate(zip(seen, at)))
    return against(wanted, MountPoints(seen, ()), car(pose), QUIET, asked)


def test_supports_not_known_but_set_as_0_still_prove_nothing() -> None:
    known = as_stood(CompareSettings(limit_mm=2.0), KNOWN, KNOWN)
    assert {s.verdict for s in bulkhead(known).shifts} == {"within", "outside"}
    for stood in ((OPEN,), (KNOWN, OPEN), (OPEN, OPEN)):
        m = bulkhead(as_stood(CompareSettings(limit_mm=2.0), *stood))
        assert {s.verdict for s in m.shifts} == {"not proven"} and m.assumed == ("drift", "supports")
        assert any("how the frame stood is not known" in n.text and n.warning for n in m.notes)
    assert as_stood(CompareSettings(), KNOWN, StraightnessSettings(elastic_mm=2.0)).stood_mm == 2.0


def test_points_that_span_no_length_have_no_share_of_supports_and_say_so() -> None:
    m = bulkhead(CompareSettings(limit_mm=2.0, stood_mm=1.0))
    assert all(np.isnan(s.U_supports_mm) and np.isfinite(s.U_mm) for s in m.shifts)
    (note,) = [n for n in m.notes if n.warning]
    assert "U leaves out what its own weight bends" in note.text and "at a corner" not in note.text
    table = moved_files(m, car(some_pose(3)))["compare/moved.csv"].decode()
    assert "empty where it isn't and can't be told" in " ".join(table.replace("# ", "").split())
    assert {s.U_supports_mm for s in bulkhead(CompareSettings()).shifts} == {0.0}


def test_jobs_without_any_point_are_compared_by_their_rails() -> None:
    before, _ = earlier()
    clean, features, second = scanned(2, pulled, clutter=0.3)
    unmoved = laid(before, clean, car(second), CompareSettings())
    for asked in (CompareSettings(), CompareSettings(stood_mm=1.0)):
        m = compare(replace(before, points=NONE), clean, features, NONE, unmoved, asked)
        assert m.shifts == () and len(m.rails) == 2 and m.measures["sidesway_mm"].U is not None
        assert "0 of 0 points moved" in moved_words(m)
        share = 2 * np.degrees((asked.stood_mm or 0.0) / GAUGE)
        assert (m.measures["twist_deg"].U_supports or 0.0) == pytest.approx(share, rel=0.01)
