"""Lines of many corners as straight pieces and arcs: a slot's outline by hand, closeness, and closed ends."""

from itertools import pairwise

import numpy as np
import pytest

from barerail.geometry.arcs import pieces


def slot(length: float, radius: float, steps: int) -> np.ndarray:
    """A slot's outline, counter-clockwise from the lower left of its straight side."""
    a = np.linspace(-np.pi / 2, np.pi / 2, steps)
    right = np.column_stack([length / 2 + radius * np.cos(a), radius * np.sin(a)])
    left = -right
    lower = np.column_stack([np.linspace(-length / 2, length / 2, 30), np.full(30, -radius)])
    return np.vstack([lower, right[1:], -lower[1:], left[1:]])


def test_a_slot_is_two_lines_and_arcs_of_its_radius():
    found = pieces(slot(60.0, 12.0, 40), 0.02)
    arcs = [p for p in found if p.centre is not None]
    assert [p.radius for p in arcs] == pytest.approx([12.0] * len(arcs), abs=0.05)
    assert sum(p.turn for p in arcs) == pytest.approx(2 * np.pi, abs=0.5)
    assert sum(np.linalg.norm(p.end - p.start) for p in found if p.centre is None) == pytest.approx(120, abs=6)
    assert len(found) <= 10


def test_pieces_join_and_stay_close():
    rng = np.random.default_rng(1)
    turn = np.linspace(0, 2 * np.pi, 200)
    line = (50 + 6 * np.sin(3 * turn) + rng.normal(scale=0.05, size=200))[:, None] * np.column_stack(
        [np.cos(turn), np.sin(turn)]
    )
    line[-1] = line[0]
    found = pieces(line, 0.3)
    assert len(found) < 60 and np.array_equal(found[0].start, found[-1].end)
    for a, b in pairwise(found):
        assert np.array_equal(a.end, b.start)
    for p in found:
        if p.centre is not None:
            for end in (p.start, p.end):
                assert np.linalg.norm(end - p.centre) == pytest.approx(p.radius)


def test_turn_tells_the_way_round():
    a = np.linspace(0, 1.5, 30)
    arc = 20 * np.column_stack([np.cos(a), np.sin(a)])
    (there,), (back,) = pieces(arc, 0.01), pieces(arc[::-1], 0.01)
    assert there.turn == pytest.approx(1.5) and back.turn == pytest.approx(-1.5)
    assert there.centre == pytest.approx((0, 0), abs=1e-6)
