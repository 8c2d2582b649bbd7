"""Bent tubes sampled from a torus and two cylinders, whose radius, angle and centreline are known."""

import numpy as np
import pytest
from fit_case import Points, Scanner
from tube_case import ball, bent, tube

from barerail.records import Features, TubeBend
from barerail.settings import CleanSettings, FitSettings
from barerail.stages.clean import clean
from barerail.stages.fit import fit
from barerail.stages.fit.chains import chained
from barerail.stages.fit.corner import corner_of, lines_of

R, TUBE, LEG = 120.0, 20.0, 220.0


def found_in(s: Scanner, points: Points) -> Features:
    return fit(
        clean(s.scan(points + s.sheet((200, 160), 4.0).placed(np.eye(3), [0, 0, -80])), CleanSettings()), FitSettings()
    )


def kinds(features: Features) -> list[str]:
    return sorted(f.kind for f in features.found)


@pytest.mark.parametrize(("deg", "radius"), [(90.0, R), (35.0, R), (60.0, 70.0)])
def test_a_bend_has_its_radius_within_u_and_the_tube_its_centreline(deg: float, radius: float) -> None:
    s, turn = Scanner(np.random.default_rng(int(deg)), 2.0), float(np.radians(deg))
    features = found_in(s, bent(s, radius, TUBE, turn, LEG))
    assert kinds(features) == ["tube", "tube"]
    ((bend,),) = [b.bends for b in features.bent]
    assert abs(bend.radius - radius) < 2 * bend.u_radius < 0.05 * radius
    assert bend.angle_deg == pytest.approx(deg, abs=0.2)
    path = features.bent[0].centreline
    on_arc = np.hypot(path[1:-1, 0], path[1:-1, 1])
    assert np.abs(on_arc - radius).max() < 0.3 and np.abs(path[:, 2]).max() < 0.2
    assert np.linalg.norm(path[0] - path[-1]) > 1.5 * LEG * np.cos(turn / 2)


def test_no_bend_is_made_up_where_it_is_not_seen() -> None:
    s = Scanner(np.random.default_rng(1), 2.0)
    features = found_in(s, bent(s, R, TUBE, np.pi / 2, LEG, arc=False))
    assert kinds(features) == ["tube", "tube"] and not features.bent


def test_a_mitre_with_a_rounded_corner_is_a_node_and_no_bend() -> None:
    s = Scanner(np.random.default_rng(2), 2.0)
    features = found_in(s, bent(s, 0.0, TUBE, np.pi / 2, LEG, arc=False) + ball(s, np.zeros(3), TUBE))
    assert kinds(features) == ["tube", "tube", "tube-node"] and not features.bent
    (node,) = [f for f in features.found if f.kind == "tube-node"]
    assert np.abs(node.point).max() < 0.2


def test_the_arc_of_a_corner_touches_both_axes_by_hand() -> None:
    """Axes along x and y that meet at the origin: an arc of 100 about (100, 100) begins at (100, 0)."""
    corner = corner_of(lines_of(tube([300, 0, 0], [1, 0, 0]), tube([0, 300, 0], [0, 1, 0])))
    arc = corner.arc(100.0, 3)
    middle = 100 - 100 / np.sqrt(2)
    assert arc == pytest.approx(np.array([[100, 0, 0], [middle, middle, 0], [0, 100, 0]]), abs=1e-9)
    places = np.array([[100.0, 0, 7], [middle - 5, middle - 5, 0], [180, 3, 4]])
    assert corner.off(corner.local(places), 100.0) == pytest.approx([7.0, 5 * np.sqrt(2), 5.0])


def test_bends_are_chained_in_order_and_each_end_goes_on_into_one() -> None:
    """A hoop of three pieces listed out of order, and a bend too many at an end that has one."""
    found = [tube([0, 300, 400], [0, 1, 0]), tube([0, 0, 100], [0, 0, 1]), tube([0, 600, 100], [0, 0, 1])]

    def bend(i: int, j: int, *at: list[float]) -> TubeBend:
        return TubeBend((i, j), 100.0, 0.5, 90.0, np.array(at, float), 500, 0.1)

    bends = [bend(0, 1, [0, 100, 400], [0, 0, 300]), bend(2, 0, [0, 600, 300], [0, 500, 400])]
    extra = bend(1, 2, [0, 0, 310], [0, 600, 310])
    (hoop,) = chained(found, [*bends, extra])
    assert hoop.tubes == (1, 0, 2) and hoop.bends == (bends[0], bends[1])
    assert hoop.centreline[[0, 1, 2, -2, -1]] == pytest.approx(
        np.array([[0, 0, -100], [0, 0, 300], [0, 100, 400], [0, 600, 300], [0, 600, -100]])
    )
