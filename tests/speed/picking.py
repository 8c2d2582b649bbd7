"""Picking: hovers and clicks on the points of a report's 3D view, and of the same scene drawn by k3d.

    pip install k3d==3.2.0            # in an environment of its own: the project doesn't need it
    python tests/speed/picking.py barerail-demo/report.html

Of the points that no other overlaps, those in sight and those behind metal: which one the page says was hit, and how
long after the mouse moved, or was pressed. Both views look from the same side at the same scale.
"""

import argparse
import base64
import json
import re
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from browser import Browser

PLOTLY = """window.hits = [];
  for (const kind of ['click', 'hover']) document.getElementById('scene').on(`plotly_${kind}`, ({ points: [p] }) =>
    p.customdata !== undefined && hits.push([kind, p.customdata, performance.now()]));"""
K3D = """window.hits = []; window.plot = K3DInstance;
  for (const [kind, name] of [['click', 'OBJECT_CLICKED'], ['hover', 'OBJECT_HOVERED']])
    K3DInstance.on(K3DInstance.events[name], (p) => hits.push([kind, p.index, performance.now()]));"""
CLOCK = """for (const [kind, name] of [['hover', 'mousemove'], ['click', 'mousedown']])
  addEventListener(name, (event) => { window[`${kind}At`] = event.timeStamp; }, true);"""
APART_PX, PATIENCE_S, FOV = 14.0, 4.0, 3.0


def k3d_page(view: dict[str, Any], ahead: Any, up: Any, tall_mm: float, solid: bool) -> str:
    """The scan's squares, its points and a text for each name, in one offline file; solid: the scan hides points."""
    import k3d

    scan, places = view["scan"], np.array([p["at"] for p in view["points"] if p["at"]], "f4")
    corners, triangles, grey = squares(scan)
    plot = k3d.plot(grid_visible=False, mode="callback", snapshot_type="full", camera_auto_fit=False, camera_fov=FOV)
    middle = (np.array(view["low"]) + view["high"]) / 2
    away = tall_mm / 2 / np.tan(np.radians(FOV / 2))
    plot.camera = [*(middle - away * ahead), *middle, *up]
    ramp = [0, 0.08, 0.1, 0.11, 1, 0.95, 0.95, 0.93]
    metal = k3d.mesh(corners, triangles, attribute=grey, color_map=ramp, color_range=[0, 255], flat_shading=True)
    dots = k3d.points(places, point_size=15, color=0x1668C7, shader="flat")
    for thing in (dots, metal) if solid else (dots,):
        thing.click_callback = thing.hover_callback = print
    plot += metal
    plot += dots
    for p in view["points"]:
        if p["at"]:
            plot += k3d.text(p["name"], position=p["at"], size=0.6, label_box=True)
    return str(plot.get_snapshot(additional_js_code=K3D))


def squares(scan: dict[str, Any]) -> tuple[Any, Any, Any]:
    """Corners (4n, 3), triangles (2n, 3) and greys (4n,) of the page's packed cloud."""
    raw = {key: base64.b64decode(scan[key]) for key in ("xyz", "normals", "radius", "grey")}
    xyz = np.frombuffer(raw["xyz"], "<u2").reshape(-1, 3) * scan["step"] + scan["low"]
    n = np.frombuffer(raw["normals"], "i1").reshape(-1, 3) / 127.0
    half = np.frombuffer(raw["radius"], "u1")[:, None] * 0.1 * np.sqrt(0.5)
    u = np.cross(n, np.where(np.abs(n[:, 2:]) < 0.7, [0.0, 0, 1], [1.0, 0, 0]))
    u /= np.linalg.norm(u, axis=1)[:, None] + 1e-9
    w = np.cross(n, u)
    corners = np.stack([xyz + half * (a * u + b * w) for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1))], axis=1)
    first = 4 * np.arange(len(xyz))[:, None]
    triangles = np.vstack([first + np.array(t) for t in ((0, 1, 2), (0, 2, 3))]).astype("u4")
    grey = np.repeat(np.frombuffer(raw["grey"], "u1"), 4).astype("f4")
    return corners.reshape(-1, 3).astype("f4"), triangles, grey


def seen_from(browser: Browser, view: dict[str, Any]) -> tuple[Any, float, Any]:
    """The report's view: rows right, up and ahead (3, 3), pixels a mm, and left, top, width and height of its box."""
    found = browser.run(
        "(() => { const s = document.getElementById('scene'), r = s.getBoundingClientRect(), l = s.layout.scene;"
        " return { camera: l.camera, x: l.aspectratio.x, box: [r.left, r.top, r.width, r.height] }; })()"
    )
    eye, centre, up = (np.array([found["camera"][k][a] for a in "xyz"]) for k in ("eye", "center", "up"))
    ahead = (centre - eye) / np.linalg.norm(centre - eye)
    right = np.cross(ahead, up) / np.linalg.norm(np.cross(ahead, up))
    scale = found["x"] / (view["high"][0] - view["low"][0]) * found["box"][3] / 2
    return np.stack([right, np.cross(right, ahead), ahead]), float(scale), found["box"]


def on_k3d(browser: Browser, places: Any) -> Any:
    """Pixels (n, 2) of the places in k3d's view."""
    found = browser.run(
        "(() => { const w = plot.getWorld(), c = w.camera, r = w.renderer.domElement.getBoundingClientRect();"
        " return [c.projectionMatrix.elements, c.matrixWorldInverse.elements, [r.left, r.top, r.width, r.height]]; })()"
    )
    project, inverse = (np.reshape(m, (4, 4)).T for m in found[:2])
    at = np.column_stack([places, np.ones(len(places))]) @ (project @ inverse).T
    at = at[:, :2] / at[:, 3:]
    left, top, wide, tall = found[2]
    return np.column_stack([left + (at[:, 0] + 1) * wide / 2, top + (1 - at[:, 1]) * tall / 2])


def in_sight(view: dict[str, Any], axes: Any, places: Any) -> Any:
    """Whether (n,) nothing of the scan stands within 3 mm of the line of sight and 10 mm nearer or more."""
    corners = squares(view["scan"])[0][::4] @ axes.T
    at = places @ axes.T
    near = [corners[np.linalg.norm(corners[:, :2] - p[:2], axis=1) < 3.0, 2] for p in at]
    return np.array([not (z < p[2] - 10.0).any() for z, p in zip(near, at)])


def pick(browser: Browser, at: Any) -> dict[str, list[Any]]:
    """Move on to each place and click it: index hit and ms until the page said so, None where it didn't."""
    out: dict[str, list[Any]] = {"hover": [], "click": []}
    browser.run(CLOCK)
    for x, y in at.tolist():
        browser.call("Input.dispatchMouseEvent", type="mouseMoved", x=3, y=3)
        time.sleep(1.0)
        browser.run("hits.length = 0")
        for kind, types in (("hover", ("mouseMoved",)), ("click", ("mousePressed", "mouseReleased"))):
            button = {} if kind == "hover" else {"button": "left", "clickCount": 1}
            for name in types:
                browser.call("Input.dispatchMouseEvent", type=name, x=x, y=y, **button)
                time.sleep(0.15)
            out[kind].append(waited(browser, kind))
    return out


def waited(browser: Browser, kind: str) -> Any:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        said = browser.run(f"hits.filter(([k, i]) => k === '{kind}' && i != null).map(([, i, t]) => [i, t - {kind}At])")
        if said:
            return said[0]
        time.sleep(0.1)
    return None


def told(hits: list[Any], index: Any) -> str:
    got = [(h, i) for h, i in zip(hits, index) if h]
    right = sum(h[0] == i for h, i in got)
    ms = sorted(h[1] for h, _ in got)
    spread = f"{statistics.median(ms):.0f} ms, at most {ms[-1]:.0f}" if ms else "no time"
    return f"right {right} of {len(index)}, wrong {len(got) - right}, nothing {len(index) - len(got)}; {spread}"


def data_of(report: Path) -> dict[str, Any]:
    found = re.search(r'<script[^>]*id="data"[^>]*>(.*?)</script>', report.read_text("utf-8"), re.S)
    return dict(json.loads(found[1])["view"]) if found else {}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("report", type=Path)
    report = parser.parse_args().report.resolve()
    view = data_of(report)
    shown = np.array([i for i, p in enumerate(view["points"]) if p["at"]])
    places = np.array([view["points"][i]["at"] for i in shown])
    with tempfile.TemporaryDirectory() as folder:
        with Browser(Path(folder) / "a") as browser:
            browser.open(report, 1280, 900, "document.body.dataset.ready")
            browser.run("document.getElementById('scene').scrollIntoView({ block: 'center' })")
            browser.run(PLOTLY)
            time.sleep(3)
            axes, scale, (left, top, wide, tall) = seen_from(browser, view)
            local = (places - (np.array(view["low"]) + view["high"]) / 2) @ axes.T * scale
            at = np.column_stack([left + wide / 2 + local[:, 0], top + tall / 2 - local[:, 1]])
            groups = grouped(browser, at, in_sight(view, axes, places))
            say("plotly", browser, report, at, shown, groups)
        for solid in (False, True):
            page = Path(folder) / f"k3d-{solid}.html"
            page.write_text(k3d_page(view, axes[2], axes[1], 900 / scale, solid), "utf-8")
            with Browser(Path(folder) / f"b{solid}") as browser:
                browser.open(page, 1280, 900, "window.hits && plot.getWorld().camera")
                time.sleep(4)
                at = on_k3d(browser, places)
                say("k3d, scan solid" if solid else "k3d", browser, page, at, np.arange(len(at)), groups)


def grouped(browser: Browser, at: Any, sight: Any) -> dict[str, Any]:
    """Rows of the points that stand apart under no name: those in sight, those hidden."""
    gap = np.linalg.norm(at[:, None] - at, axis=2) + 1e9 * np.eye(len(at))
    open_ = [browser.run(f"document.elementFromPoint({x}, {y})?.tagName") == "CANVAS" for x, y in at]
    free = (gap.min(axis=1) > APART_PX) & np.array(open_)
    print(f"{len(at)} points, {free.sum()} of them apart and under no name")
    return {"in sight": np.flatnonzero(free & sight), "hidden": np.flatnonzero(free & ~sight)}


def say(name: str, browser: Browser, page: Path, at: Any, index: Any, groups: dict[str, Any]) -> None:
    print(f"{name}: {page.stat().st_size / 1e6:.1f} MB, errors {browser.errors[:2]}")
    for group, rows in groups.items():
        for kind, hits in pick(browser, at[rows]).items():
            print(f"  {group}, {kind}: {told(hits, index[rows])}", flush=True)


if __name__ == "__main__":
    main()
