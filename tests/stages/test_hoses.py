"""Hoses among tubes, on hand-made round things. The truth is the construction."""

import numpy as np
import pytest
from fit_case import Points, Scanner, across
from tube_case import bent, leg, ring

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


def hose(s: Scanner, radius: float, ends: tuple[float, float], bend: float = 250.0) -> Points:
    """Straight over 150 mm along x, then up, bent by 1 / bend mm as far as `ends` say."""
    n = s.count((ends[0] + ends[1]) * 2 * np.pi * radius)
    x, about = s.rng.uniform(-ends[0], ends[1], n), s.rng.uniform(0, 2 * np.pi, n)
    past = np.sign(x) * np.maximum(np.abs(x) - STRAIGHT, 0.0)
    up = np.column_stack([-past / bend, np.zeros(n), np.ones(n)])
    up /= np.linalg.norm(up, axis=1)[:, None]
    out = np.cos(about)[:, None] * up + np.sin(about)[:, None] * [0, 1.0, 0]
    return Points(np.column_stack([x, np.zeros(n), past**2 / (2 * bend)]) + radius * out, out)


@pytest.mark.parametrize("ends", [(190.0, 190.0), (STRAIGHT, 190.0), (190.0, STRAIGHT)])
def test_a_thin_tube_that_goes_on_bent_is_a_hose_and_is_told_as_dropped(ends: tuple[float, float]) -> None:
    found = found_in(
        Scanner(np.random.default_rng(170), 1.6), hose(Scanner(np.random.default_rng(171), 1.6), 8.0, ends)
    )
    assert not tubes(found) and sum(dropped(found)) >= 1


def test_one_that_turns_by_24_degrees_over_its_own_width_is_a_hose_too() -> None:
    s = Scanner(np.random.default_rng(177), 1.6)
    found = found_in(s, hose(s, 8.0, (STRAIGHT, 100.0), 32.0))
    assert not tubes(found) and sum(dropped(found)) >= 1


def test_what_goes_on_from_a_piece_of_a_hose_is_of_it_too() -> None:
    """Two straight pieces at 8 degrees: one alone goes on bent, the other as that one."""
    s, way = Scanner(np.random.default_rng(178), 1.6), np.radians(8.0)
    on = leg(s, np.array([-STRAIGHT, 0, 0]), np.array([-np.cos(way), np.sin(way), 0]), 8.0, 150.0)
    found = found_in(s, hose(s, 8.0, (STRAIGHT, 190.0)) + on)
    assert not tubes(found) and sum(dropped(found)) == 2


def test_a_tube_mitred_to_a_hose_stays() -> None:
    s, way = Scanner(np.random.default_rng(179), 1.6), np.radians(20.0)
    on = leg(s, np.array([-STRAIGHT, 0, 0]), np.array([-np.cos(way), np.sin(way), 0]), 8.0, 200.0)
    found = found_in(s, hose(s, 8.0, (STRAIGHT, 190.0)) + on)
    assert tubes(found) == [16] and sum(dropped(found)) == 1


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


def mitred(s: Scanner, degrees: float) -> Points:
    """Two tubes of 16 mm, 200 mm long, whose axes meet at the origin."""
    way = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), 0])
    return leg(s, np.zeros(3), np.array([-1.0, 0, 0]), 8.0, 200.0) + leg(s, np.zeros(3), way, 8.0, 200.0)


def stepped(s: Scanner, radius: float) -> Points:
    """A tube of 16 mm along x whose last 30 mm are of another radius."""
    turn = across([1, 0, 0])
    return s.wall((0, 0, 8.0), -150, 0, True).placed(turn, [0, 0, 0]) + s.wall((0, 0, radius), 0, 30, True).placed(
        turn, [0, 0, 0]
    )


def branched(s: Scanner, degrees: float) -> Points:
    """A tube of 16 mm that ends on a through one of the same size at that angle."""
    way = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), 0])
    through = s.wall((0, 0, 8.0), -200, 200, True).placed(across([1, 0, 0]), [0, 0, 0])
    branch = leg(s, 16.0 / np.sin(np.radians(degrees)) * way, way, 8.0, 200.0)
    return through + branch


def loop(s: Scanner) -> Points:
    """A closed loop of tube 20 mm wide: four straight pieces of 150 mm and bends of 50 mm."""
    corner = leg(s, np.array([50.0, 0, 0]), np.array([0, -1.0, 0]), 10.0, 150.0) + ring(s, 50.0, 10.0, np.pi / 2)
    out = Points(np.zeros((0, 3)), np.zeros((0, 3)))
    for k in range(4):
        c, n = np.cos(k * np.pi / 2), np.sin(k * np.pi / 2)
        turn = np.array([[c, -n, 0], [n, c, 0], [0, 0, 1.0]])
        out += corner.placed(turn, turn @ [75.0, 75.0, 0])
    return out


@pytest.mark.parametrize(
    ("made", "count"),
    [
        (lambda s: mitred(s, 10.0), 2),
        (lambda s: mitred(s, 25.0), 2),
        (lambda s: stepped(s, 9.2), 1),
        (lambda s: branched(s, 12.0), 2),
        (loop, 4),
    ],
    ids=["slight mitre", "mitre", "step", "branch", "loop"],
)
def test_what_is_welded_on_at_an_angle_or_stepped_or_closed_is_no_hose(made, count: int) -> None:
    s = Scanner(np.random.default_rng(176), 1.6)
    found = found_in(s, made(s))
    assert len([d for d in tubes(found) if d in (16, 20)]) == count and not dropped(found)
