"""The same datum again on a later scan, by its recipe; and what it refuses to make up."""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from datum_case import KICKED, Leg, case, hints, moved, some_pose, twisted

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import invert, transform
from barerail.geometry.mirror import Mirror
from barerail.records import CleanScan, Datum, Features
from barerail.settings import DatumSettings
from barerail.stages.datum import datum
from barerail.stages.datum.recipe import Repeat, repeat
from barerail.stages.datum.surface import surface_of


@pytest.fixture(scope="module")
def first() -> Datum:
    clean, features, truth = case(1, noise=0.05)
    return datum(clean, features, DatumSettings(**hints(truth)))


def later(seed: int = 2, **how: Any) -> tuple[CleanScan, Features, np.ndarray]:
    """The same frame in another pose, with other noise and clutter."""
    return case(seed, noise=0.05, clutter=0.3, pose=some_pose(40 + seed), **how)


def redo(recipe: Mapping[str, Any], clean: CleanScan, features: Features, truth: np.ndarray) -> Repeat:
    """The recipe on a scan whose mirror plane is known: the search for it is tested elsewhere."""
    surface = surface_of(clean)
    n = truth[1, :3]
    return repeat(recipe, features, surface, Mirror(n, -float(truth[1, 3]) - float(n @ surface.middle)), truth[0, :3])


def places(frame: np.ndarray, features: Features) -> np.ndarray:
    return transform(frame, np.array([f.point for f in features.found]))


def test_a_later_scan_reads_the_same_without_front_and_above(first: Datum) -> None:
    _, one, _ = case(1, noise=0.05)
    clean, features, _ = later()
    recipe = json.loads(json.dumps(first.recipe))
    again = datum(clean, features, DatumSettings(), recipe=recipe)
    assert places(again.car_from_scan, features) == pytest.approx(places(first.car_from_scan, one), abs=0.02)
    assert again.assumed == ("drift",)
    assert again.recipe == recipe


def test_features_that_are_gone_don_t_move_it(first: Datum) -> None:
    clean, features, truth = later(3)
    origin = {i.feature for i in first.influence if i.matrix[0].any()}
    kept = [f for i, f in enumerate(features.found) if i in origin or i < 5]
    again = redo(first.recipe, clean, replace(features, found=tuple(kept)), truth)
    between = again.frame @ invert(truth) @ invert(first.car_from_scan @ some_pose(1))
    assert between == pytest.approx(np.eye(4), abs=0.02)


def test_a_new_lower_face_doesn_t_take_the_level(first: Datum) -> None:
    """A pair of skids is welded under the rails: z = 0 stays where the recipe's features say."""
    clean, features, truth = later(4)
    down = truth[2, :3] * -30.0
    skids = tuple(replace(p, centre=p.centre + down, extent=(900.0, 60.0)) for p in features.planes[:2])
    again = redo(first.recipe, clean, replace(features, planes=(*features.planes, *skids)), truth)
    assert places(again.frame, features) == pytest.approx(places(first.car_from_scan, case(1)[1]), abs=0.02)


def test_an_origin_feature_that_isn_t_seen_is_never_replaced(first: Datum) -> None:
    clean, features, truth = later(5)
    origin = {i.feature for i in first.influence if i.matrix[0].any()}
    kept = tuple(f for i, f in enumerate(features.found) if i != min(origin))
    with pytest.raises(DataError, match=r"1 of the features that the recipe's x = 0 rests on .* mm at 0, .*scan there"):
        redo(first.recipe, clean, replace(features, found=kept), truth)


def panelled(features: Features, truth: np.ndarray, rows: set[int], back: bool, both: bool = True) -> Features:
    """The same, its holes `rows` in a panel 3 mm thick across the car, led by its front face or its back one."""
    ahead, found = truth[0, :3], list(features.found)
    for i in rows:
        faces = np.array([found[i].point, found[i].point - 3.0 * ahead])[:: -1 if back else 1]
        axis = -ahead if back else ahead
        found[i] = replace(found[i], kind="hole", point=faces[0], axis=axis, ends=faces if both else np.zeros((0, 3)))
    return replace(features, found=tuple(found))


def test_an_origin_in_a_panel_is_found_by_either_of_its_faces(first: Datum) -> None:
    origin = {i.feature for i in first.influence if i.matrix[0].any()}
    clean, features, truth = case(1, noise=0.05)
    made = datum(clean, panelled(features, truth, origin, back=False), DatumSettings(**hints(truth)))
    assert {i.feature for i in made.influence if i.matrix[0].any()} == origin
    clean, features, truth = later(6)
    again = datum(clean, panelled(features, truth, origin, back=True), DatumSettings(), recipe=made.recipe)
    x = places(again.car_from_scan, features)[:, 0] - places(made.car_from_scan, case(1, noise=0.05)[1])[:, 0]
    assert x == pytest.approx(0.0, abs=0.05)
    with pytest.raises(DataError, match="2 of the features that the recipe's x = 0 rests on"):
        redo(made.recipe, clean, panelled(features, truth, origin, back=True, both=False), truth)


def test_an_origin_feature_that_moved_moves_x_by_half(first: Datum) -> None:
    clean, features, truth = later(6)
    origin = min(i.feature for i in first.influence if i.matrix[0].any())
    ahead = truth[0, :3]
    plain = datum(clean, features, DatumSettings(), recipe=first.recipe)
    bent = datum(clean, moved(features, origin, 0.8 * ahead), DatumSettings(), recipe=first.recipe)
    assert (bent.car_from_scan - plain.car_from_scan)[0, 3] == pytest.approx(-0.4, abs=0.01)


def test_another_car_is_refused(first: Datum) -> None:
    other = (Leg((-1200, 50), (300, 50)), Leg((300, 50), (900, 150)), Leg((900, 150), (1500, 150)))
    clean, features, truth = case(7, legs=other, pose=some_pose(47))
    found = tuple(replace(f, diameter=f.diameter + 7.0) for f in features.found)
    with pytest.raises(DataError, match="are seen in their places"):
        redo(first.recipe, clean, replace(features, found=found), truth)


def test_a_recipe_that_fits_two_ways_is_refused(first: Datum) -> None:
    """All features alike and spaced alike, front and rear: nothing tells the ends apart."""
    legs = (Leg((-1500, 50), (1500, 50)),)
    clean, features, truth = case(8, legs=legs, cross=(-1000.0, 1000.0))
    base = features.found[0]
    spots = [transform(invert(truth), [x, y, 0.0]) for x in (-900.0, 0.0, 900.0) for y in (400.0, -400.0)]
    even = replace(features, found=tuple(replace(base, point=p) for p in spots))
    made = datum(clean, even, DatumSettings(**hints(truth)))
    with pytest.raises(DataError, match="fits two ways round"):
        redo(made.recipe, clean, even, truth)


def test_hints_that_contradict_the_recipe_are_refused(first: Datum) -> None:
    clean, features, truth = later(9)
    behind = hints(truth, reach=-3000.0)["front"]
    with pytest.raises(UsageError, match="--front contradicts the recipe"):
        datum(clean, features, DatumSettings(front=behind), recipe=first.recipe)


def test_guesses_in_the_recipe_stay_guesses() -> None:
    clean, features, _ = case(1)
    guessed = datum(clean, features, DatumSettings())
    other, seen, _ = later(10)
    assert datum(other, seen, DatumSettings(), recipe=guessed.recipe).assumed == ("front", "above", "drift")


@pytest.mark.parametrize(
    ("broken", "error", "words"),
    [
        ({"rule": "three-two-one"}, UsageError, "can't be repeated here"),
        ({"features": [{"kind": "hole"}]}, UsageError, "the recipe is damaged"),
        ({"features": []}, DataError, "rests on no feature"),
        ({"level": "tube"}, DataError, "levels the car by its tubes"),
    ],
)
def test_damaged_recipes(first: Datum, broken: dict[str, Any], error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        redo({**first.recipe, **broken}, *case(11))


def test_a_twist_since_then_doesn_t_hide_the_features(first: Datum) -> None:
    clean, features, truth = case(12, legs=KICKED, bend=twisted(0.2), pose=some_pose(52))
    again = redo(first.recipe, clean, features, truth)
    assert np.abs(places(again.frame, features) - places(first.car_from_scan, case(1)[1])).max() < 2.0
