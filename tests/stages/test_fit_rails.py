"""Rails on hand-made scans whose faces were not all seen: the truth is the construction in fit_case."""

import numpy as np
from fit_case import Points, Scanner
from test_fit import TURN, back, found_in, posed

from barerail.records import Array, Station

LENGTH, WIDTH, HEIGHT = 520.0, 60.0, 90.0
MOST = np.radians(1.2)


def rolled(p: Points) -> Points:
    """Turned about x, from nothing at x = 0 to MOST at x = LENGTH."""
    a = MOST * np.clip(p.at[:, 0] / LENGTH, 0, 1)
    c, s = np.cos(a), np.sin(a)

    def turn(v: Array) -> Array:
        return np.column_stack([v[:, 0], c * v[:, 1] - s * v[:, 2], s * v[:, 1] + c * v[:, 2]])

    return Points(turn(p.at), turn(p.out))


def rail(seed: int) -> tuple[Station, ...]:
    """Two box rails end to end, the front one twisted and its left side never seen."""
    s = Scanner(np.random.default_rng(seed))
    box = s.box(LENGTH - 20, WIDTH, HEIGHT, 5.0)
    behind = box.placed(np.eye(3), [-LENGTH / 2, 0, 0])
    box = s.box(LENGTH - 20, WIDTH, HEIGHT, 5.0).placed(np.eye(3), [LENGTH / 2, 0, 0])
    seen = box.out[:, 1] < 0.7
    (found,) = found_in(posed(s, behind + rolled(Points(box.at[seen], box.out[seen])))).rails
    return found.stations


def test_a_side_that_was_not_seen_leaves_the_middle_of_a_rolled_section_where_it_is() -> None:
    """The middle is half a width from the other side, along the section as it is rolled at that station."""
    stations = [s for s in rail(161) if back(s.centre)[0] > 150]
    assert len(stations) >= 3 and all(np.isnan(s.size).any() for s in stations)
    for s in stations:
        off = back(s.centre)[1:]
        u = np.sqrt(np.diag((s.axes[1:] @ TURN)[:, 1:].T @ s.cov[:2, :2] @ (s.axes[1:] @ TURN)[:, 1:]))
        assert abs(off[1]) < min(0.12, 3 * u[1]) and abs(off[0]) < 2 * u[0]
