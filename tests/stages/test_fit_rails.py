"""Rails on hand-made scans whose faces were not all seen: the truth is the construction in fit_case."""

import numpy as np
import pytest
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


@pytest.mark.parametrize("long", [140.0, 240.0])
def test_a_box_beside_the_gap_between_two_rails_is_no_station_of_theirs(long: float) -> None:
    s = Scanner(np.random.default_rng(162))
    rails = [s.box(LENGTH, WIDTH, HEIGHT, 5.0).placed(np.eye(3), [x, 0, 0]) for x in (-350 - long / 2, 350 + long / 2)]
    beside = s.box(long, 150, 120, 5.0).placed(np.eye(3), [0, 0, 110])
    (found,) = found_in(posed(s, rails[0] + rails[1] + beside)).rails
    assert len(found.stations) >= 8 and found.dropped >= 1
    for station in found.stations:
        assert np.abs(back(station.centre)[1:]).max() < 1 and max(station.size) < HEIGHT + 1


def test_a_length_of_another_section_in_line_is_the_rails() -> None:
    s = Scanner(np.random.default_rng(163))
    rails = [s.box(LENGTH, WIDTH, HEIGHT, 5.0).placed(np.eye(3), [x, 0, 0]) for x in (-420, 420)]
    between = s.box(150, 120, 150, 5.0).placed(np.eye(3), [0, 0, 30])
    (found,) = found_in(posed(s, rails[0] + rails[1] + between)).rails
    assert found.dropped == 0 and any(max(station.size) > 149 for station in found.stations)


def test_a_bowed_rail_whose_faces_lie_in_pieces_has_stations_all_along() -> None:
    """Its ends 5 mm higher than its middle; its top cut every 500 mm."""
    s = Scanner(np.random.default_rng(164), spacing=2.5)
    box = s.box(2000, WIDTH, HEIGHT, 5.0)
    seen = (np.abs(box.at[:, 0] % 500 - 250) < 238) | (box.out[:, 2] < 0.1)
    rail = Points(box.at[seen] + np.outer(5.0 * (box.at[seen, 0] / 1000) ** 2, [0, 0, 1.0]), box.out[seen])
    (found,) = found_in(posed(s, rail)).rails
    assert len(found.stations) >= 18 and all(all(station.seen) for station in found.stations)
    at = back(np.array([station.centre for station in found.stations]))
    assert np.abs(at[:, 2] - 5.0 * (at[:, 0] / 1000) ** 2).max() < 0.2


def test_stations_of_one_rail_name_their_sides_alike() -> None:
    """A channel, open to the right, with a strip of its web hidden in front: a flange is the largest face there."""
    s = Scanner(np.random.default_rng(165))
    box = [s.box(LENGTH, WIDTH, HEIGHT, 5.0).placed(np.eye(3), [x, 0, 0]) for x in (-300, 300)]
    whole = box[0] + box[1]
    hidden = (whole.at[:, 0] > 0) & (whole.out[:, 1] > 0.7) & (np.abs(whole.at[:, 2]) < 20)
    seen = (whole.out[:, 1] > -0.7) & ~hidden
    (found,) = found_in(posed(s, Points(whole.at[seen], whole.out[seen]))).rails
    assert len(found.stations) >= 8
    first = found.stations[0]
    for station in found.stations:
        assert first.axes[1] @ station.axes[1] > 0.99 and station.seen == first.seen


def test_a_channel_is_called_one_and_its_open_side_is_not_made_up() -> None:
    s = Scanner(np.random.default_rng(104))
    web, flange = s.sheet((480, 90), 4.0), (480, 46)
    points = web.placed(np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]), [0, 25, 0])
    points += s.sheet(flange, 4.0).placed(np.eye(3), [0, -2, 45])
    points += s.sheet(flange, 4.0).placed(np.diag([1.0, -1, -1]), [0, -2, -45])
    (r,) = found_in(posed(s, points)).rails
    assert r.section == "channel"
    for station in r.stations:
        local = station.axes @ TURN
        m = 1 if abs(local[1] @ [0, 0, 1]) > 0.9 else 2
        assert station.size[m - 1] == pytest.approx(90.0, abs=0.1)
        error = np.array([back(station.centre) @ local[k] for k in (1, 2)])
        assert (np.abs(error) < 2 * np.sqrt(np.diag(station.cov)[:2])).all()
