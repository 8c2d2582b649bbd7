"""The 3D view under a real mouse and real fingers: what is touched, and what only turns the view."""

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from page_case import cleaned, plates

from barerail.outputs.page_look import look_html
from barerail.settings import ReportSettings
from browser import CHROMIUM, Browser

READY = "document.body && document.body.dataset.ready"
CAMERA = (
    "(() => { const s = document.getElementById('scene').layout.scene;"
    " return [s.camera.eye.x, s.camera.eye.y, s.camera.eye.z, s.aspectratio.x]; })()"
)
TAG = "document.querySelector('.tag.fixed').style.transform"
Point = tuple[float, float]


@pytest.fixture(scope="module")
def tab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("no Chromium on PATH (Debian: apt-get install chromium)")
    with Browser(tmp_path_factory.mktemp("profile")) as found:
        yield found


@pytest.fixture
def middle(tab: Browser, tmp_path: Path, request: pytest.FixtureRequest) -> Point:
    """A wide plate looked at from above; the pixel in the middle of the view, which lies on it."""
    width = getattr(request, "param", 1280)
    xyz, normals = plates()
    wide = np.vstack([np.add(xyz, [0.0, y, 0.0]) for y in range(-360, 370, 90)])
    file = tmp_path / "look.html"
    clean = cleaned(wide, np.tile(normals, (9, 1)))
    file.write_bytes(look_html(clean, ReportSettings(page_triangles=4000), "plate", "barerail run plate.ply"))
    tab.open(file, width, 844, READY)
    box = tab.run(
        "(() => { const s = document.getElementById('scene'); s.scrollIntoView({ block: 'center' });"
        " const b = s.getBoundingClientRect(); return [b.left + b.width * 0.5, b.top + b.height * 0.5]; })()"
    )
    return box[0], box[1]


def places(tab: Browser) -> list[str]:
    return tab.run("[...document.querySelectorAll('[data-of]')].map((e) => e.textContent)")


def settled(tab: Browser) -> None:
    """Until plotly has drawn some frames more."""
    frames = "new Promise((done) => { let n = 12; const f = () => (n-- ? requestAnimationFrame(f) : done(1)); f(); })"
    tab.run(frames)
    time.sleep(0.3)
    tab.run(frames)


def mouse(tab: Browser, path: list[Point]) -> None:
    """Pressed at the first place, let go at the last."""
    for k, (x, y) in enumerate([path[0], *path, path[-1]]):
        kind = "mouseReleased" if k == len(path) + 1 else "mousePressed" if k == 1 else "mouseMoved"
        tab.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1, buttons=int(k > 0))
        settled(tab)


def fingers(tab: Browser, *paths: list[Point]) -> None:
    """Each finger along its path, all at once."""
    for k, at in enumerate(zip(*paths)):
        points = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(at)]
        tab.call("Input.dispatchTouchEvent", type="touchMove" if k else "touchStart", touchPoints=points)
        settled(tab)
    tab.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
    settled(tab)


def test_a_click_touches_and_a_drag_only_turns(tab: Browser, middle: Point) -> None:
    x, y = middle
    before = np.array(tab.run(CAMERA))
    mouse(tab, [(x + 20 * k, y + 8 * k) for k in range(5)])
    assert places(tab) == ["not yet"] * 3
    assert np.linalg.norm(np.array(tab.run(CAMERA)) - before) > 1
    mouse(tab, [(x, y)])
    front, *others = places(tab)
    assert front.count(",") == 2 and others == ["not yet"] * 2
    assert tab.errors == []


@pytest.mark.parametrize("middle", [390], indirect=True)
def test_a_tap_touches_a_finger_turns_and_two_zoom_with_the_names(tab: Browser, middle: Point) -> None:
    tab.call("Emulation.setTouchEmulationEnabled", enabled=True)
    x, y = middle
    before, tag = np.array(tab.run(CAMERA)), tab.run(TAG)
    fingers(tab, [(x + 15 * k, y + 6 * k) for k in range(5)])
    turned = np.array(tab.run(CAMERA))
    assert np.linalg.norm(turned[:3] - before[:3]) > 1 and turned[3] == pytest.approx(before[3])
    assert tab.run(TAG) != tag and places(tab) == ["not yet"] * 3
    fingers(tab, [(x - 30 - 10 * k, y) for k in range(4)], [(x + 30 + 10 * k, y) for k in range(4)])
    assert tab.run(CAMERA)[3] == pytest.approx(2 * before[3], rel=0.05)
    fingers(tab, [(x, y)])
    assert places(tab)[0].count(",") == 2
    assert tab.run("scrollX") == 0 and tab.errors == []
    tab.call("Emulation.setTouchEmulationEnabled", enabled=False)
