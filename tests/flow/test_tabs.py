"""Templates of a two-tab bracket: either tab's outline and hole, each as it was measured."""

import io

import ezdxf
import flat_case
import numpy as np
import pytest
from outputs_case import datum, point

from barerail.asked import TemplateSettings
from barerail.errors import UsageError
from barerail.geometry.frames import invert, transform
from barerail.outputs.template import template
from barerail.records import Feature, Features, MountPoints, NoiseModel, Plane

CAR = datum().car_from_scan
START, END = -23.0, 23.0
HIGH = {START: 60.0, END: 80.0}
"""x of the tabs' inner faces, and how tall each tab is; 40 mm wide, hole 20 and 40 mm from the side and bottom."""


def tab(x: float) -> np.ndarray:
    y, z = (v.ravel() for v in np.meshgrid(np.arange(380, 420.5), np.arange(100, 100 + HIGH[x] + 0.5)))
    at = np.column_stack([np.full(len(y), x), y, z])
    return at[np.hypot(y - 400, z - 140) > 6.0]


def bracket(tabs=(START, END)):
    """The clean scan, the planes of its tabs' inner faces, and its bolt axis along x with holes of 12 and 12.4 mm."""
    parts = [tab(x) for x in (START, END)]
    normals = [np.tile((np.sign(-x), 0.0, 0.0), (len(p), 1)) for x, p in zip((START, END), parts)]
    clean = flat_case.cleaned(np.vstack(parts), np.vstack(normals))
    scan_from_car, planes, first = invert(CAR), [], 0
    for x, part in zip((START, END), parts):
        n = np.array([np.sign(-x), 0.0, 0])
        axes = np.array([(0.0, 1, 0), np.cross(n, (0.0, 1, 0)), n]) @ scan_from_car[:3, :3].T
        middle = transform(scan_from_car, np.array([x, 400, 100 + HIGH[x] / 2]))
        members = np.arange(first, first + len(part))
        first += len(part)
        if x in tabs:
            planes.append(Plane(middle, axes, np.eye(3), 0.02, len(part), 40 * HIGH[x], (40.0, HIGH[x]), members,
                                np.zeros((0, 3))))  # fmt: skip
    ends = np.array([(END, 400, 140.0), (START, 400, 140.0)])
    found = Feature(
        "bolt-axis", np.zeros(3), np.zeros(3), 12.2, 46, np.eye(3), np.eye(3), 0.1, 0.1, 360, 1, 0.1, plane=0
    )
    features = Features(tuple(planes), (found,), (), NoiseModel(0.02, 0.01, 20.0, 0.05, 0.2), 1.0)
    way = (ends[0] - ends[1]) / np.linalg.norm(ends[0] - ends[1])
    detail = {"diameter_a_mm": 12.4, "diameter_b_mm": 12.0, "tab_a_mm": 4.0, "tab_b_mm": 4.0}
    axis = point("arm-L", "bolt-axis", tuple(ends.mean(axis=0)), tuple(way), diameter=12.2, length=46.0, ends=ends,
                 feature=0, detail=detail, cov_local=np.eye(3) * 0.0025, cov_axis=np.eye(3) * 4e-6)  # fmt: skip
    return clean, features, MountPoints((axis,), ())


def made(name: str, tabs=(START, END), **asked) -> ezdxf.document.Drawing:
    clean, features, points = bracket(tabs)
    written = template(clean, features, datum(), points, TemplateSettings(face=name, **asked))
    return ezdxf.read(io.StringIO(written.files[f"export/template-{name}.dxf"].decode("cp1252")))


@pytest.mark.parametrize(
    ("name", "high", "diameter", "view"), [("start", 60, 12.0, "ahead"), ("end", 80, 12.4, "behind")]
)
def test_each_tab_has_its_own_outline_and_hole(name, high, diameter, view):
    drawing = made(f"arm-L-{name}")
    (hole,) = drawing.modelspace().query('CIRCLE[layer=="REFERENCE"]')
    assert 2 * hole.dxf.radius == pytest.approx(diameter, abs=1e-6)
    lines = drawing.modelspace().query('LINE[layer=="CUT"]')
    corners = np.array([(line.dxf.start.x, line.dxf.start.y) for line in lines])
    assert np.ptp(corners, axis=0) == pytest.approx([40, high], abs=2.0)
    assert hole.dxf.center.y - corners[:, 1].min() == pytest.approx(40, abs=1.5)
    assert any(view in t.dxf.text for t in drawing.modelspace().query("TEXT"))


def test_a_bolt_axis_alone_and_a_tab_that_was_not_found_are_refused():
    with pytest.raises(UsageError, match="arm-L has two tabs: name arm-L-start"):
        made("arm-L")
    with pytest.raises(UsageError, match="no point is named 'arm-L-end'"):
        made("arm-L-end", tabs=(START,))
