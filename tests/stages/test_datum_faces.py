"""The datum on a mounting face seen on both sides of its sheet: the side that was named, and no origin."""

import json
from dataclasses import replace

import numpy as np
import pytest
from datum_case import KICKED, case, hints, some_pose
from test_datum_targets import PRIMARY, TERTIARY, WAY_321, named

from barerail.errors import UsageError
from barerail.geometry.frames import invert
from barerail.records import Features
from barerail.settings import DatumSettings
from barerail.stages.datum import datum


def as_shelf(features: Features, index: int, up: np.ndarray) -> Features:
    """The same with one hole taken for a mounting face seen on both sides of 4 mm sheet, the far one first."""
    f = features.found[index]
    shelf = replace(f, kind="face", diameter=np.nan, u_diameter=np.nan, ends=np.array([f.point - 4 * up, f.point]))
    found = list(features.found)
    found[index] = replace(shelf, point=shelf.ends[0])
    return replace(features, found=tuple(found))


def test_a_target_on_a_face_takes_the_side_of_the_sheet_that_was_named() -> None:
    clean, features, truth = case(2, noise=0.05)
    shelf = as_shelf(features, 0, invert(truth)[:3, 2])
    settings = DatumSettings(**WAY_321, primary=PRIMARY, tertiary=TERTIARY, **hints(truth))
    names = named(features)
    names["named"]["a-L"]["kind"] = "face"
    first = datum(clean, shelf, settings, names)
    by_holes = datum(clean, features, settings, named(features))
    assert first.car_from_scan == pytest.approx(by_holes.car_from_scan, abs=1e-6)
    other, seen, where = case(13, noise=0.05, clutter=0.3, legs=KICKED, pose=some_pose(53))
    later = as_shelf(seen, 0, invert(where)[:3, 2])
    again = datum(other, later, DatumSettings(), json.loads(json.dumps(first.recipe)))
    assert again.car_from_scan == pytest.approx(where, abs=1e-3)


def test_a_face_is_no_origin() -> None:
    clean, features, truth = case(2)
    shelf = as_shelf(features, 0, invert(truth)[:3, 2])
    names = named(features)
    names["named"]["a-L"]["kind"] = "face"
    with pytest.raises(UsageError, match="a face can't be it"):
        datum(clean, shelf, DatumSettings(origin="a-L", **hints(truth)), names)
