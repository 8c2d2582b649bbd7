"""Axes, origin choices and the reference section, on a frame whose places are known."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from datum_case import GAUGE, Leg, case, hints, moved, some_pose
from test_datum_targets import PRIMARY, TERTIARY, WAY_321, known, named

from barerail.errors import DataError, UsageError
from barerail.geometry.frames import invert, transform
from barerail.outputs.in_axes import forward, points_forward, points_in
from barerail.records import Array, Features, Plane
from barerail.settings import DatumSettings, PointsSettings
from barerail.stages.datum import datum
from barerail.stages.points import points
from barerail.store.named import places_of

HALF_TURN = np.diag([-1.0, -1.0, 1.0, 1.0])


def ways(features: Features, truth: Array) -> dict[str, tuple[dict[str, Any], dict[str, Any]]]:
    """The same datum asked for in ISO 8855 and in ISO 4130, each way of setting it."""
    flip = {n: (-x, -y, z) for n, (x, y, z) in known(features, truth).items()}
    there = {"secondary": {"a-L": -GAUGE / 2, "d-L": -GAUGE / 2}, "tertiary": {"b-L..b-R": 150.0}}
    return {
        "symmetry": ({"origin": "a-L..a-R", "origin_x_mm": 100.0}, {"origin": "a-L..a-R", "origin_x_mm": -100.0}),
        "three-two-one": (
            {**WAY_321, "primary": PRIMARY, "tertiary": TERTIARY},
            {**WAY_321, "primary": PRIMARY, **there},
        ),
        "known-points": ({"known": known(features, truth)}, {"known": flip}),
        "given": ({"matrix": rows(truth)}, {"matrix": rows(HALF_TURN @ truth)}),
    }


def rows(m: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(map(float, row)) for row in m)


@pytest.mark.parametrize("method", ["symmetry", "three-two-one", "known-points", "given"])
def test_iso_4130_is_the_same_datum_turned_half_round(method: str) -> None:
    clean, features, truth = case(1, noise=0.05)
    one, other = ways(features, truth)[method]
    a = datum(clean, features, DatumSettings(**{**one, "method": method}, **hints(truth)), named(features))
    settings = DatumSettings(**{**other, "method": method, "axes": "iso4130"}, **hints(truth))
    b = datum(clean, features, settings, named(features))
    assert (a.axes, b.axes) == ("iso8855", "iso4130")
    assert b.car_from_scan == pytest.approx(HALF_TURN @ a.car_from_scan, abs=1e-9)
    assert np.linalg.det(b.car_from_scan[:3, :3]) == pytest.approx(1.0)
    left = transform(b.car_from_scan, features.found[0].point)
    assert left[1] < 0, "what was built on the left reads y negative where y is right"
    assert forward(b).car_from_scan == pytest.approx(a.car_from_scan, abs=1e-9)
    assert forward(b).covariance == pytest.approx(a.covariance, abs=1e-15)
    assert b.evidence["seen_x_mm"] == [-x for x in reversed(a.evidence["seen_x_mm"])]


def test_iso_4130_evidence_and_words_count_as_the_user_does() -> None:
    clean, features, truth = case(1, noise=0.05)
    _, other = ways(features, truth)["three-two-one"]
    settings = DatumSettings(**other, axes="iso4130", **hints(truth))
    made = datum(clean, moved(features, 0, -3.0 * truth[1, :3]), settings, named(features))
    rows = {(t["place"], t["axis"]): t for t in made.evidence["targets"]}
    assert rows["a-L", "y"]["asked_mm"] == -GAUGE / 2 and rows["b-L..b-R", "x"]["asked_mm"] == 150.0
    assert rows["a-L", "z"]["read_mm"] == pytest.approx(0.0, abs=0.01)
    assert "x = 0: b-L..b-R at 150 mm; y = 0: a-L at -400 mm" in made.origin
    both = [datum(clean, features, DatumSettings(**way, **hints(truth)), named(features)) for way in SECTIONS]
    less, turned = (m.evidence["reference_less_whole"] for m in both)
    signs = {"x_mm": -1, "y_mm": -1, "z_mm": 1, "roll_deg": -1, "pitch_deg": -1, "yaw_deg": 1}
    assert turned == pytest.approx({key: sign * less[key] for key, sign in signs.items()}, abs=1e-4)
    assert both[1].evidence["reference_x_mm"] == [-900.0, 800.0]


SECTIONS: tuple[dict[str, Any], ...] = (
    {"reference": "-800..900"},
    {"reference": "-900..800", "axes": "iso4130"},
)


def test_points_in_iso_4130_are_the_same_points() -> None:
    clean, features, truth = case(1, noise=0.05)
    settings = DatumSettings(**hints(truth))
    a = datum(clean, features, settings)
    b = datum(clean, features, settings.model_copy(update={"axes": "iso4130"}))
    one = points(features, a, (), PointsSettings())
    two = points_in(points(features, forward(b), (), PointsSettings()), b)
    assert [(p.name, p.side) for p in one.points] == [(p.name, p.side) for p in two.points]
    back = points_forward(two, b)
    for p, q in zip(one.points, back.points):
        assert q.position == pytest.approx(p.position, abs=1e-6) and q.by_datum == pytest.approx(p.by_datum, abs=1e-6)
    for p, q in zip(one.points, two.points):
        assert q.position == pytest.approx(p.position * [-1, -1, 1], abs=1e-6)
        moves = q.by_datum @ b.covariance @ q.by_datum.T
        assert np.diag(moves) == pytest.approx(np.diag(p.by_datum @ a.covariance @ p.by_datum.T), rel=1e-6)


def test_iso_4130_comes_back_from_its_recipe() -> None:
    clean, features, truth = case(1, noise=0.05)
    first = datum(clean, features, DatumSettings(axes="iso4130", **hints(truth)))
    other, seen, where = case(2, noise=0.05, pose=some_pose(42))
    again = datum(other, seen, DatumSettings(), json.loads(json.dumps(first.recipe)))
    assert again.axes == "iso4130"
    assert again.car_from_scan @ invert(where) == pytest.approx(first.car_from_scan @ invert(truth), abs=0.02)


@pytest.mark.parametrize(
    ("origin", "x", "reads"), [("c-L..c-R", 0.0, 420.0), ("c-L", 0.0, 420.0), ("a-R", 1000.0, -1600.0)]
)
def test_the_origin_is_where_it_was_asked_for(origin: str, x: float, reads: float) -> None:
    """x = 0 at the features named (which read x), z so that the undersides read 120 mm; and the same again."""
    clean, features, truth = case(3, noise=0.05)
    settings = DatumSettings(origin=origin, origin_x_mm=x, underside_z_mm=120.0, **hints(truth))
    made = datum(clean, features, settings, named(features))
    between = made.car_from_scan @ invert(truth)
    assert between[0, 3] == pytest.approx(-reads, abs=0.05) and between[2, 3] == pytest.approx(120.0, abs=0.05)
    assert ("x = 1000 mm:" in made.origin) == (x > 0) and "z = 120 mm: the undersides" in made.origin
    other, seen, where = case(4, noise=0.05, pose=some_pose(44))
    again = datum(other, seen, DatumSettings(), json.loads(json.dumps(made.recipe)))
    assert again.car_from_scan @ invert(where) == pytest.approx(between, abs=0.02)


def test_one_feature_s_own_side_counts_in_u_of_x() -> None:
    """A turn about z moves what lies 400 mm to the side along x: x of the origin and yaw go together."""
    clean, features, truth = case(3, noise=0.05)
    made = datum(clean, features, DatumSettings(origin="c-L", **hints(truth)), named(features))
    assert made.covariance[0, 5] == pytest.approx(GAUGE / 2 * made.covariance[5, 5], rel=0.01)


def bent_front(p: Array) -> Array:
    """From x = 420 mm on, the front turned aside, 5 mm at its end, and drooping 3 mm."""
    t = np.maximum(0.0, p[:, 0] - 420.0) / 1680.0
    return p + np.column_stack([np.zeros(len(p)), 5.0 * t, -3.0 * t])


LONG = (Leg((-1500, 50), (800, 50)), Leg((800, 50), (2100, 50)))
CROSS = (-1200.0, -500.0, 0.0, 700.0, 1600.0)


def surfaced(features: Features, points: Array) -> Features:
    """The faces with the thinned points that lie on them, as a fit gives them."""

    def members(p: Plane) -> Plane:
        local = (points - p.centre) @ p.axes.T
        inside = np.abs(local) < [p.extent[0] / 2, p.extent[1] / 2, 1.0]
        return replace(p, members=np.flatnonzero(inside.all(1)))

    return replace(features, planes=tuple(members(p) for p in features.planes))


@pytest.mark.parametrize("reference", ["rear", "-1500..400", "a-L..c-R"])
def test_the_reference_section_alone_carries_the_datum(reference: str) -> None:
    clean, features, truth = case(5, legs=LONG, cross=CROSS, noise=0.05, bend=bent_front)
    features = surfaced(features, clean.thin)
    places = named(features)
    origin = {"origin": "b-L..b-R", "origin_x_mm": -150.0, **hints(truth)}
    whole = datum(clean, features, DatumSettings(**origin), places)
    made = datum(clean, features, DatumSettings(reference=reference, **origin), places)
    off = [np.abs((m.car_from_scan @ invert(truth))[:3, :3] - np.eye(3)).max() for m in (whole, made)]
    assert np.degrees(off[1]) < 0.02 < np.degrees(off[0])
    assert made.car_from_scan @ invert(truth) == pytest.approx(np.eye(4), abs=0.1)
    assert any("reference section" in n.text for n in made.notes) and made.evidence["reference_less_whole"]
    assert made.covariance[5, 5] > 0


def test_a_reference_section_leaves_targets_out_and_says_so() -> None:
    clean, features, truth = case(6)
    points = known(features, truth)
    settings = DatumSettings(method="known-points", known=points, reference="-900..800")
    made = datum(clean, features, settings, named(features))
    rows = {t["place"]: t["weight"] for t in made.evidence["targets"]}
    assert rows["d-L"] == rows["d-R"] == 0.0 and rows["a-L"] > 0
    assert len(made.evidence["left_out"]) == 2 and made.recipe["reference_x_mm"] == [-900.0, 800.0]


@pytest.mark.parametrize(
    ("settings", "error", "words"),
    [
        ({"reference": "middle"}, UsageError, "rear, front or A..B"),
        ({"reference": "0..100"}, DataError, "100 mm long, 300 mm are needed"),
        ({"reference": "front", "origin": "a-L..a-R"}, DataError, "the origin lies outside"),
        ({"origin": "nothing-L"}, UsageError, "no point is named nothing-L"),
        ({"origin": "a-L..a-R..b-L"}, UsageError, "one feature's name, or A..B"),
        ({"primary": {"a-L": 0.0}}, UsageError, "primary has no meaning with method = 'symmetry'"),
    ],
)
def test_what_cannot_be_is_refused(settings: dict[str, Any], error: type[Exception], words: str) -> None:
    clean, features, truth = case(7)
    with pytest.raises(error, match=words):
        datum(clean, features, DatumSettings(**settings, **hints(truth)), named(features))


def test_a_name_where_the_job_shows_no_points_says_to_find_them_first(tmp_path: Path) -> None:
    """After a new datum the points are gone, though the names of the one before are still known."""
    pinned = {"a-L": {"kind": "hole", "at_scan_mm": [0.0, 0.0, 0.0]}}
    with pytest.raises(UsageError, match=r"names a-R, but this job has no points\.json now: barerail points first"):
        places_of(tmp_path, ("a-L", "a-R"), pinned)
    assert places_of(tmp_path, ("a-L",), pinned)[0] == pinned
