"""The scan as the page and the picture draw it: on the scan, within the budget, whole around features."""

import base64
from dataclasses import replace

import numpy as np
from outputs_case import CAR_FROM_SCAN, datum, point
from page_case import Page, cleaned, made, plates

from barerail.geometry.frames import from_rotation_vector, invert, rigid, transform
from barerail.outputs.page_scan import packed, shown
from barerail.records import (
    CHASSIS,
    FLOOR,
)


def test_scan_drawn_lies_on_the_scan_and_within_the_budget():
    xyz, normals = plates()
    drawn = shown(cleaned(xyz, normals), datum(), (), 1500)
    assert 500 < len(drawn.xyz) <= 1500
    assert np.abs(drawn.xyz[:, 2] - 100).max() < 1e-6
    assert np.abs(drawn.normals - [0, 0, 1]).max() < 1e-6
    for axis in (0, 1):
        assert abs(np.ptp(drawn.xyz[:, axis]) - np.ptp(xyz[:, axis])) < 2 * drawn.radius.max()


def test_surroundings_of_a_feature_are_drawn_in_full():
    xyz, normals = plates()
    hole = point("h", "hole", (300.0, 400.0, 100.0), (0.0, 0, 1), diameter=20.0)
    drawn = shown(cleaned(xyz, normals), datum(), (hole,), 1500)
    close = np.linalg.norm(xyz - hole.position, axis=1) < 14
    gaps = np.linalg.norm(xyz[close][:, None] - drawn.xyz, axis=2).min(axis=1)
    assert close.sum() > 8 and gaps.max() < 1e-6
    assert len(drawn.xyz) <= 1500


def test_what_is_not_chassis_is_not_drawn_and_said():
    clean = cleaned(*plates())
    left = transform(CAR_FROM_SCAN, clean.thin)[:, 1] > 0
    clean = replace(clean, label=np.where(left, FLOOR, CHASSIS).astype(np.uint8))
    assert shown(clean, datum(), (), 4000).xyz[:, 1].max() < 0
    assert any(f"thinned points of floor {left.sum()}" in text for text in Page(made(clean)).texts)


def test_turning_scan_and_datum_together_draws_the_same():
    xyz, normals = plates()
    first = shown(cleaned(xyz, normals, voxel=1.0), datum(), (), 10**6)
    move = rigid(from_rotation_vector((1.0, 0.4, -0.7)), (300.0, 20.0, -90.0))
    clean = cleaned(xyz, normals, voxel=1.0)
    scan = replace(clean.scan, points=transform(move, clean.scan.points))
    turned = replace(clean, scan=scan, thin=transform(move, clean.thin), normals=clean.normals @ move[:3, :3].T)
    second = shown(turned, datum(car_from_scan=CAR_FROM_SCAN @ invert(move)), (), 10**6)
    key = [np.lexsort(s.xyz.round(3).T) for s in (first, second)]
    assert np.abs(first.xyz[key[0]] - second.xyz[key[1]]).max() < 1e-6
    assert np.abs(first.grey[key[0]] - second.grey[key[1]]).max() < 1e-9


def test_mesh_keeps_winding_and_its_surface():
    n = 60
    x, y = np.meshgrid(np.arange(n) * 10.0, np.arange(n) * 10.0, indexing="ij")
    xyz = np.column_stack([x.ravel(), y.ravel(), 3 * np.sin(x.ravel() / 90)])
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.vstack([np.column_stack([a, a + n, a + 1]), np.column_stack([a + 1, a + n, a + n + 1])])
    clean = cleaned(xyz, np.tile([0.0, 0, 1], (len(xyz), 1)), voxel=15.0, triangles=faces.astype(np.int32))
    drawn = shown(clean, datum(), (point("h", "hole", (300.0, 300.0, 0.0), (0.0, 0, 1)),), 1600)
    t = drawn.triangles
    assert 400 < len(t) <= 1600 and t.min() >= 0 and t.max() < len(drawn.xyz)
    p, q, r = (drawn.xyz[t[:, k]] for k in range(3))
    up = np.cross(q - p, r - p)[:, 2] / 2
    assert (up > 0).mean() > 0.98  # a few slivers turn over where cells were merged
    assert abs(up.sum() / (590.0**2) - 1) < 0.12


def test_packed_scan_is_within_half_a_step():
    drawn = shown(cleaned(*plates()), datum(), (), 2000)
    pack = packed(drawn)
    steps = np.frombuffer(base64.b64decode(pack["xyz"]), "<u2").reshape(-1, 3)
    assert np.abs(np.array(pack["low"]) + pack["step"] * steps - drawn.xyz).max() <= pack["step"] / 2 + 1e-3
    assert pack["step"] < 0.05


def test_light_tells_faces_apart_and_bends_are_darker():
    xyz, normals = plates()
    level = shown(cleaned(xyz, normals), datum(), (), 2000).grey
    side = shown(cleaned(xyz, np.tile([0.0, 1.0, 0.0], (len(xyz), 1))), datum(), (), 2000).grey
    clean = cleaned(xyz, normals)
    bent = shown(replace(clean, flat=np.full(len(clean.thin), 0.5)), datum(), (), 2000).grey
    assert level.mean() > side.mean() + 0.15 > bent.mean() and level.mean() > bent.mean() + 0.15
