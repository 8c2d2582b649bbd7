"""Nodes that stand at one place: told apart, paired, named and matched again by their tubes."""

from dataclasses import replace

import numpy as np
import pytest
from points_case import FORE, LEFT, UP, a_datum, chassis, feature, mirrored, scanned

from barerail.errors import DataError, UsageError
from barerail.outputs.table import points_csv, points_json
from barerail.outputs.view import View, scaled, seen
from barerail.records import BentTube, Feature, MountPoints, TubeBend, Wanted
from barerail.settings import PointsSettings
from barerail.stages.compare.shifts import matched
from barerail.stages.fit.nodes import tube_nodes
from barerail.stages.points import points
from barerail.store import names

NODE = np.array([600.0, 330.0, 50.0])


def frame() -> list[Feature]:
    """A main tube and an upright each side and a cross tube, all through one place a side, and their nodes."""
    near = np.array([0, -15.0, 0])
    left = [feature("tube", NODE, FORE, 50, 900), feature("tube", NODE + 150 * UP, UP, 32, 260)]
    cross = feature("tube", NODE * [1, 0, 1] + near, LEFT, 42, 610)
    tubes = [*left, *map(mirrored, left), cross]
    return [*tubes, *tube_nodes(tubes, ()), *chassis()]


def labelled(found, wanted=(), earlier=(), bent=()) -> MountPoints:
    features = replace(scanned(found), bent=bent)
    return points(features, a_datum(), wanted, PointsSettings(), earlier)


def nodes(p: MountPoints) -> dict[frozenset[str], str]:
    return {frozenset(q.tubes): q.name for q in p.points if q.kind == "tube-node"}


def test_three_tubes_at_a_place_give_three_nodes_a_side_each_with_its_partner() -> None:
    made = labelled(frame())
    at = {p.name: p for p in made.points}
    found = [p for p in made.points if p.kind == "tube-node"]
    assert len(found) == 6 and len({p.name for p in found}) == 6 and all(p.partner for p in found)
    for p in found:
        other = at[p.partner]
        assert {at[t].partner or t for t in p.tubes} == set(other.tubes) and {p.side, other.side} == {"L", "R"}
        assert np.abs(p.position * [1, -1, 1] - other.position).max() < 1e-6
        assert all(t in p.note for t in p.tubes) and "pass 0.00 mm (U 0." in p.note
    assert sum(pair.left.startswith("tube-node") for pair in made.pairs) == 3


def test_names_edited_in_the_table_come_back_by_the_tubes() -> None:
    """Moved by more than the nodes lie apart; without the tubes' columns such names are refused."""
    first = labelled(frame())
    text = points_csv(first, a_datum()).decode()
    for i, name in enumerate(sorted(nodes(first).values())):
        text = text.replace(f"{name},", f"joint-{i}{name[-2:]},")
    wanted = [
        replace(w, position=tuple(np.add(w.position, (0.4, -0.3, 0.2)))) for w in names.parse(text.encode(), "f").wanted
    ]
    again = labelled(frame(), wanted)
    assert nodes(again) == {frozenset(w.tubes): w.name for w in wanted if w.kind == "tube-node"}
    with pytest.raises(DataError, match="keep tube_a and tube_b"):
        labelled(frame(), [replace(w, tubes=()) for w in wanted])


def test_a_node_that_is_not_there_any_more_is_missing() -> None:
    first = labelled(frame())
    wanted = names.parse(points_csv(first, a_datum()), "f").wanted
    gone = next(i for i, f in enumerate(frame()) if f.kind == "tube-node")
    left = [f for i, f in enumerate(frame()) if i != gone]
    (lost,) = [p for p in labelled(left, wanted).points if p.state == "missing"]
    assert lost.kind == "tube-node" and "no tube-node of" in lost.note


def test_names_are_taken_over_from_an_earlier_job_by_the_tubes() -> None:
    first = labelled(frame())
    earlier = [Wanted(i, f"was-{p.name}", p.kind, tuple(p.position), tubes=tuple(f"was-{t}" for t in p.tubes))
               for i, p in enumerate(first.points)]  # fmt: skip
    again = labelled(frame(), earlier=earlier)
    assert nodes(again) == {frozenset(f"was-{t}" for t in tubes): f"was-{n}" for tubes, n in nodes(first).items()}


def test_a_comparison_matches_nodes_by_their_tubes() -> None:
    """The later scan has its nodes mixed up by 0.4 mm, and calls everything otherwise."""
    before = labelled(frame()).points
    rng = np.random.default_rng(3)
    after = [
        replace(
            p, name=f"b{p.name}", tubes=tuple(f"b{t}" for t in p.tubes), position=p.position + rng.normal(0, 0.4, 3)
        )
        for p in before[::-1]
        if p.kind in ("tube", "tube-node")
    ]
    pairs = [(before[i].name, after[j].name) for i, j in matched(before, after, 20.0)]
    assert sum(a.startswith("tube-node") for a, _ in pairs) == 6 and all(b == f"b{a}" for a, b in pairs)


def test_a_bent_tube_is_told_by_names_and_turns_and_scales_with_the_points() -> None:
    path = np.array([[0.0, 100, 0], [0, 50, 100], [0, 0, 120]])
    bend = TubeBend((0, 4), 114.0, 0.26, 88.2, path[:2], 900, 0.1)
    made = labelled(frame(), bent=(BentTube((0, 4), (bend,), path),))
    (tube,) = made.bent
    a, b = (next(p for p in made.points if p.name == name) for name in tube.names)
    assert f"goes on through a bend of 114.0 mm radius (U 0.6 mm), 88 degrees, into {b.name}" in a.note
    assert f"into {a.name}" in b.note
    turned, car = seen(made, a_datum(), View("iso4130"))
    inch = scaled(turned, "in")
    assert inch.bent[0].bends[0].radius == pytest.approx(114.0 / 25.4)
    assert inch.bent[0].centreline * 25.4 == pytest.approx(tube.centreline * [-1, -1, 1])
    assert b'"bent_tubes"' in points_json(turned, car) and tube.names[0].encode() in points_json(made, a_datum())


def as_earlier(p: MountPoints) -> list[Wanted]:
    return [Wanted(i, q.name, q.kind, tuple(q.position), tubes=q.tubes) for i, q in enumerate(p.points)]


def test_a_name_given_to_one_tube_leaves_its_nodes_their_names() -> None:
    first = labelled(frame())
    main = next(q for q in first.points if q.kind == "tube" and q.side == "L" and q.diameter == 50)
    again = labelled(frame(), [Wanted(1, "main-L", "tube", tuple(main.position))], as_earlier(first))
    assert sorted(nodes(again).values()) == sorted(nodes(first).values())
    assert not any("not seen here: tube-node" in n.text for n in again.notes)


def test_a_tube_renamed_in_its_own_row_alone_is_told() -> None:
    first = labelled(frame())
    tube = next(q.name for q in first.points if q.kind == "tube" and q.side == "L")
    wanted = [replace(w, name="rail-tube-L") if w.name == tube else w for w in as_earlier(first)]
    with pytest.raises(UsageError, match=f"of the tube {tube}, which is no tube of the file"):
        labelled(frame(), wanted)


def test_a_second_name_for_a_node_known_by_its_tubes_is_missing_and_says_so() -> None:
    first = labelled([f for f in frame() if f.kind != "tube-node"] + [n for n in frame() if n.kind == "tube-node"][:1])
    (node,) = [q for q in first.points if q.kind == "tube-node"]
    twice = [*as_earlier(first), Wanted(99, f"second-{node.side}", "tube-node", tuple(node.position))]
    one = [f for f in frame() if f.kind != "tube-node"] + [n for n in frame() if n.kind == "tube-node"][:1]
    (lost,) = [q for q in labelled(one, twice).points if q.state == "missing"]
    assert lost.name == f"second-{node.side}" and node.name in lost.note


def test_a_tube_seen_further_at_one_end_is_the_same_tube_with_the_same_nodes() -> None:
    before = labelled(frame()).points
    moved = [
        replace(q, position=q.position + 30 * q.axis) if q.kind == "tube" and q.length > 800 else q for q in before
    ]
    assert [(i, i) for i in range(len(before))] == matched(before, moved, 25.0)
