"""Hoses among tubes, on hand-made round things. The truth is the construction."""

import numpy as np
import pytest
from fit_case import Points, Scanner
from tube_case import bent

from barerail.records import Features
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit

STRAIGHT = 75.0


def found_in(s: Scanner, points: Points) -> Features:
    sheet = s.sheet((200, 160), 4.0).placed(np.eye(3), [0, 0, -80])
    return fit(clean(s.scan(points + sheet), CleanSettings()), FitSettings())


def tubes(features: Features) -> list[float]:
    return [round(f.diameter) for f in features.found if f.kind == "tube"]


def dropped(features: Features) -> list[int]:
    return [n.count for n in features.notes if "hoses dropped" in n.text]


def hose(s: Scanner, radius: float, ends: tuple[float, float]) -> Points:
    """Straight over 150 mm along x, then up, bent by 1 / 250 mm as far as `ends` say."""
    n = s.count((ends[0] + ends[1]) * 2 * np.pi * radius)
    x, about = s.rng.uniform(-ends[0], ends[1], n), s.rng.uniform(0, 2 * np.pi, n)
    past = np.sign(x) * np.maximum(np.abs(x) - STRAIGHT, 0.0)
    up = np.column_stack([-past / 250, np.zeros(n), np.ones(n)])
    up /= np.linalg.norm(up, axis=1)[:, None]
    out = np.cos(about)[:, None] * up + np.sin(about)[:, None] * [0, 1.0, 0]
    return Points(np.column_stack([x, np.zeros(n), past**2 / 500]) + radius * out, out)


@pytest.mark.parametrize("ends", [(190.0, 190.0), (STRAIGHT, 190.0), (190.0, STRAIGHT)])
def test_a_thin_tube_that_goes_on_bent_is_a_hose_and_is_told_as_dropped(ends: tuple[float, float]) -> None:
    found = found_in(
        Scanner(np.random.default_rng(170), 1.6), hose(Scanner(np.random.default_rng(171), 1.6), 8.0, ends)
    )
    assert not tubes(found) and sum(dropped(found)) >= 1


@pytest.mark.parametrize(("radius", "ends"), [(15.0, (190.0, 190.0)), (8.0, (STRAIGHT, STRAIGHT))])
def test_a_wider_one_and_one_that_ends_stay(radius: float, ends: tuple[float, float]) -> None:
    found = found_in(
        Scanner(np.random.default_rng(172), 1.6), hose(Scanner(np.random.default_rng(173), 1.6), radius, ends)
    )
    assert 2 * radius in tubes(found) and not dropped(found)


def test_a_thin_tube_with_a_bend_to_another_straight_piece_stays() -> None:
    s = Scanner(np.random.default_rng(174), 1.6)
    found = found_in(s, bent(s, 60.0, 10.0, np.pi / 2, 150.0))
    assert tubes(found) == [20, 20] and len(found.bent) == 1 and not dropped(found)
    assert all(found.found[i].kind == "tube" for b in found.bent for i in b.tubes)


def test_bent_tubes_keep_their_pieces_when_a_hose_before_them_is_dropped() -> None:
    s = Scanner(np.random.default_rng(175), 1.6)
    far = hose(s, 8.0, (190.0, 190.0)).placed(np.eye(3), [0, 300, 0])
    found = found_in(s, far + bent(s, 60.0, 10.0, np.pi / 2, 120.0))
    assert tubes(found) == [20, 20] and sum(dropped(found)) >= 1
    ((one, other),) = [b.tubes for b in found.bent]
    assert {round(found.found[i].diameter) for i in (one, other)} == {20} and one != other
    assert {*found.bent[0].bends[0].between} == {one, other}
