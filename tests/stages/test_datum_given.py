"""The datum as a given matrix: taken as it is, and what is refused."""

import json
import math
from typing import Any

import numpy as np
import pytest
from datum_case import case, hints

from barerail.errors import UsageError
from barerail.outputs.datum_words import datum_words
from barerail.outputs.table import datum_json
from barerail.settings import DatumSettings
from barerail.stages.datum import datum
from barerail.stages.datum.given import checked


def rows(m: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(map(float, row)) for row in m)


def test_it_is_taken_and_left_stays_left() -> None:
    clean, features, truth = case(1)
    made = datum(clean, features, DatumSettings(method="given", matrix=rows(truth), **hints(truth)))
    assert made.method == "given" and made.recipe["rule"] == "given" and made.notes
    assert made.car_from_scan == pytest.approx(truth, abs=1e-9)
    assert np.linalg.det(made.car_from_scan[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    assert not made.covariance.any()


def test_front_behind_it_is_refused() -> None:
    clean, features, truth = case(1)
    behind = hints(truth, reach=-3000.0)["front"]
    with pytest.raises(UsageError, match="--front contradicts"):
        datum(clean, features, DatumSettings(method="given", matrix=rows(truth), front=behind))


def changed(i: int, j: int, value: float) -> np.ndarray:
    m = np.eye(4)
    m[i, j] = value
    return m


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        (np.eye(3), "four rows of four"),
        (changed(0, 3, math.nan), "isn't finite"),
        (changed(3, 0, 5.0), "the last row"),
        (changed(0, 0, 1.01), "not a rotation"),
        (changed(1, 1, -1.0), "mirrors the car"),
    ],
)
def test_what_is_no_rotation_is_refused(matrix: Any, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        checked(rows(matrix))


def test_none_is_refused() -> None:
    with pytest.raises(UsageError, match="needs four rows"):
        checked(None)


def test_a_recipe_beside_it_is_refused() -> None:
    clean, features, truth = case(1)
    with pytest.raises(UsageError, match="two datums"):
        datum(clean, features, DatumSettings(method="given", matrix=rows(truth)), recipe={"rule": "symmetry"})


def test_no_uncertainty_is_claimed_for_it() -> None:
    clean, features, truth = case(1)
    made = datum(clean, features, DatumSettings(method="given", matrix=rows(truth)))
    told = json.loads(datum_json(made))
    assert set(told["U"].values()) == {None} and "not stated" in told["U_reason"]
    assert "U        none" in datum_words(made) and "far end" not in datum_words(made)
