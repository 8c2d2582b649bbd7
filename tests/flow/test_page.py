"""The page: one file, nothing fetched, every point in it, figures as in the records, and usable in a browser."""

import base64
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from outputs_case import CAR_FROM_SCAN, datum, features, mount_points, point, straightness
from PIL import Image

from barerail.geometry.frames import from_rotation_vector, invert, rigid, transform
from barerail.geometry.neighbours import cell_keys, into_cells
from barerail.outputs.page import report_html
from barerail.outputs.page_checks import distance_U, hand_checks
from barerail.outputs.page_scan import packed, shown
from barerail.outputs.page_straight import straight_figure
from barerail.outputs.page_tables import assumptions, measure_rows, pair_rows
from barerail.outputs.page_view import MARKS, traces, with_u
from barerail.outputs.picture import picture_png
from barerail.outputs.words import one_line
from barerail.records import (
    CHASSIS,
    FLOOR,
    Check,
    CleanScan,
    Compared,
    Datum,
    Measure,
    MountPoints,
    NoiseModel,
    Note,
    Scan,
    Source,
)
from barerail.settings import ReportSettings
from barerail.store.names import parse
from browser import CHROMIUM, Browser

NASTY = ("</script><script>alert(1)</script>", 'a"b&<i>c', "<img src=x onerror=alert(2)>")
SMALL = ReportSettings(page_triangles=4000)


def plates() -> tuple[np.ndarray, np.ndarray]:
    """Car axes: two level plates 2.4 m long left and right at z = 100, a point every 8 mm across and 6 mm along."""
    x, y = np.meshgrid(np.arange(-1200.0, 1200, 6), np.arange(360.0, 460, 8))
    left = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 100.0)])
    return np.vstack([left, left * [1, -1, 1]]), np.tile([0.0, 0.0, 1.0], (2 * len(left), 1))


def cleaned(xyz: np.ndarray, normals: np.ndarray, voxel: float = 12.0, triangles: np.ndarray | None = None, **more):
    """A CleanScan of points given in car axes, in scan axes."""
    scan_from_car = invert(CAR_FROM_SCAN)
    points, turned = transform(scan_from_car, xyz), normals @ scan_from_car[:3, :3].T
    cells = into_cells(points, cell_keys(points, voxel, turned))
    mean = np.add.reduceat(turned[cells.order], cells.start[:-1])
    source = Source("raw <b>scan</b>.ply", "ab" * 32, 100, (0, len(points)), np.eye(4))
    scan = Scan(points, turned.astype(np.float32), triangles, "m", 1000.0, True, (source,), (Note("read", "hm"),))
    given = dict(
        scan=scan, thin=cells.mean, normals=mean / np.linalg.norm(mean, axis=1, keepdims=True), oriented=True,
        flat=np.zeros(len(cells.mean)), label=np.full(len(cells.mean), CHASSIS, np.uint8), order=cells.order,
        start=cells.start, voxel_mm=voxel, spacing_mm=7.0, noise_mm=0.1, floor=None, notes=scan.notes,
    )  # fmt: skip
    return CleanScan(**(given | more))


def labelled() -> MountPoints:
    known = mount_points()
    nasty = [point(name, "hole", (200.0 + 150 * i, 400.0, 100.0), (0.0, 0, 1)) for i, name in enumerate(NASTY)]
    return MountPoints((*known.points, *nasty), known.pairs, (Note("points", "<b>noted</b>", 3, True),))


def made(clean: CleanScan | None = None, points: MountPoints | None = None, car: Datum | None = None, **more) -> str:
    given = (clean or cleaned(*plates()), features(), car or datum(), points or labelled(), straightness())
    return report_html(*given, more.get("settings", SMALL), "A <title> & more").decode()


class Page(HTMLParser):
    """Elements with attributes, and the text of each cell and script."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data.strip())


@pytest.fixture(scope="module")
def html() -> str:
    return made()


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_same_records_make_the_same_bytes(html):
    assert made() == html


def test_nothing_is_fetched(page):
    policy = next(a for tag, a in page.elements if a.get("http-equiv") == "Content-Security-Policy")["content"]
    assert policy.startswith("default-src 'none';") and "http" not in policy and "connect-src" not in policy
    for tag, attributes in page.elements:
        assert tag not in ("link", "iframe", "img", "object", "embed", "base", "video", "audio")
        for name in ("src", "href", "srcset", "data", "poster", "action", "background"):
            assert (attributes.get(name) or "#").startswith("#"), (tag, attributes)
    style = (resources.files("barerail.outputs") / "templates/report.css").read_text("utf-8")
    assert "form-action 'none'" in policy
    templates = resources.files("barerail.outputs") / "templates"
    script = "".join((templates / f"{name}.js").read_text("utf-8") for name in ("report", "naming"))
    assert not re.search(r"url\(|@import|https?:", style)
    assert not re.search(r"https?:|fetch\(|XMLHttpRequest|import\(|WebSocket|sendBeacon", script)


def test_names_are_text_never_markup(html, page):
    assert [tag for tag, _ in page.elements].count("script") == 4
    assert not any(name.startswith("on") for _, attributes in page.elements for name in attributes)
    for p in labelled().points:
        assert one_line(p.name) in page.texts
    for name in NASTY:
        assert name not in html.replace(_data_text(html), "")
    assert "A <title> & more" in page.texts and "<b>noted</b>" in page.texts and "<b>" not in _data_text(html)


def test_every_point_stands_in_the_data_of_the_view(html):
    view = data_of(html)["view"]
    assert [p["name"] for p in view["points"]] == [one_line(p.name) for p in labelled().points]
    marked = [i for t in view["traces"] if t["meta"]["role"] == "points" for i in t["customdata"]]
    assert sorted(marked) == [i for i, p in enumerate(labelled().points) if np.isfinite(p.position).all()]


def test_page_stays_under_15_megabytes_with_the_default_budget():
    x, y = np.meshgrid(np.arange(-2000.0, 2000, 6), np.arange(-800.0, 800, 6))
    xyz = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    whole = made(cleaned(xyz, np.tile([0.0, 0, 1], (len(xyz), 1)), voxel=6.0), settings=ReportSettings())
    scan = data_of(whole)["view"]["scan"]
    drawn = len(base64.b64decode(scan["grey"]))
    assert 75_000 < drawn <= 150_000
    assert len(whole.encode()) < 15e6


def test_stamp_says_what_nobody_confirmed():
    open_ = Page(made(car=datum(assumed=("front", "drift"))))
    assert any(text.startswith("UNCONFIRMED") for text in open_.texts)
    assert any(a.get("class") == "stamp" for _, a in open_.elements)
    assert not any(text.startswith("UNCONFIRMED") for text in Page(made()).texts)


def test_scale_is_stamped_until_hand_measurements_pass():
    def page(check: Check) -> Page:
        return Page(
            report_html(cleaned(*plates()), features(), datum(), labelled(), straightness(), SMALL, "t", check).decode()
        )

    rows = (Compared("a", "b", 1000.0, 1000.4, 1.1, True), Compared("b", "c", 700.0, 703.0, 1.1, False))
    failed = page(Check(rows, 1.001, 0.0009, "failed"))
    assert any("SCALE NOT CHECKED: 1 of 2 hand measurements disagree" in text for text in failed.texts)
    assert any("DISAGREES" in text for text in failed.texts)
    assert any("SCALE NOT CHECKED: measure the lengths" in text for text in Page(made()).texts)
    passed = page(Check(rows[:1], 1.0004, 0.0009, "passed"))
    assert not any("SCALE NOT CHECKED" in text for text in passed.texts)
    assert not any(a.get("class") == "stamp" for _, a in passed.elements)


def test_box_names_guesses_rival_planes_and_warnings():
    car = datum(
        assumed=("front",),
        evidence={"ratio_to_next_plane": 1.43, "planes": [{}, {}, {}]},
        notes=(Note("datum", "one side only", warning=True), Note("datum", "all well")),
    )
    rows = assumptions(cleaned(*plates()), car)
    assert [flagged for _, flagged in rows] == [True, False, False, True]
    assert "1.43 times the next best of 3" in rows[2][0] and rows[3][0] == "one side only"
    assert not any("all well" in text for text, _ in rows)


# ---- the scan drawn


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


# ---- points, straightness and checks


def test_no_two_kinds_share_a_symbol():
    assert len({symbol for symbol, _ in MARKS.values()}) == len(MARKS)


def test_tube_is_drawn_from_end_to_end():
    ends = np.array([(0.0, -300.0, 50.0), (0.0, 300.0, 50.0)])
    tube = point("t", "tube", (0.0, 0.0, 50.0), (0.0, 1, 0), length=600.0, ends=ends)
    low, high = np.full(3, -400.0), np.full(3, 400.0)
    cards = [{"name": "t", "at": [0.0, 0.0, 50.0], "details": [("kind", "tube")]}]
    drawn = traces(features(), datum(), MountPoints((tube,), ()), cards, low, high)
    line = next(t for t in drawn if t["meta"].get("kind") == "tube" and t["mode"] == "lines")
    assert line["y"][:2] == [-300.0, 300.0]


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [(12.345, 0.0101, "12.35 ± 0.02 mm"), (-0.001, 0.5, "0.00 ± 0.50 mm"), (3.0, np.nan, "3.00 mm"), (np.nan, 1.0, "")],
)
def test_value_with_u_never_understates_u(value, u, text):
    assert with_u(value, u, "mm") == text


def test_hand_checks_are_two_lengths_and_a_diagonal_of_sure_points():
    spots = {"FL": (1000.0, 400.0), "FR": (1000.0, -400.0), "RL": (-1000.0, 400.0), "RR": (-1000.0, -400.0)}
    sure = [point(name, "hole", (*at, 50.0), (0.0, 0, 1)) for name, at in spots.items()]
    poor = point("poor", "hole", (1900.0, 400.0, 50.0), (0.0, 0, 1), cov_local=np.eye(3) * 4.0)
    guess = point("guess", "hole", (1900.0, -400.0, 50.0), (0.0, 0, 1), state="mirrored")
    noise = NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2)
    checks = hand_checks((*sure, poor, guess), noise)
    assert [c.what for c in checks] == ["length along the car", "length across the car", "diagonal"]
    assert [round(c.distance_mm, 3) for c in checks] == [2000.0, 800.0, round(float(np.hypot(2000, 800)), 3)]
    assert not {"poor", "guess"} & {p.name for c in checks for p in (c.a, c.b)}
    # By hand: 2 sqrt(2 * 0.0004 + 2 * 0.05^2 + (0.2 * 2)^2)
    assert checks[0].U_mm == pytest.approx(2 * np.sqrt(0.0008 + 0.005 + 0.16), rel=1e-12)
    assert distance_U(sure[0], sure[1], noise) < checks[0].U_mm


def test_hand_checks_say_where_there_are_too_few_points():
    few = MountPoints((point("only", "hole", (0.0, 300.0, 0.0), (0.0, 0, 1)),), ())
    assert hand_checks(few.points, NoiseModel(0.1, 0.05, 25.0, 0.05, 0.2)) == []
    assert any("Fewer than three distances" in text for text in Page(made(points=few)).texts)


def test_pairs_largest_first_and_flagged_beyond_u():
    rows = pair_rows(mount_points())
    lengths = [float(row.cells[5]) for row in rows]
    assert lengths == sorted(lengths, reverse=True)
    assert [row.flag for row in rows] == [True, False]
    assert rows[0].cells[6] == "larger than U"


def test_measure_without_value_gives_its_reason():
    rows = {row.cells[0]: row for row in measure_rows(straightness())}
    assert rows["sag"].cells[1:] == ("not determinable", "it needs a drawing or an earlier scan")
    assert rows["diamond"].cells[1] == "-0.40 ± 0.90 mm"


def test_plot_bands_are_u_and_the_line_is_the_reported_twist():
    figure = straight_figure(straightness(), datum())["data"]
    height = next(t for t in figure if t.get("name") == "left rail")
    assert height["x"] == [-1000.0, 1000.0] and height["customdata"] == [0.1, 0.1]  # 2 sqrt(0.0025)
    band = next(t for t in figure if t.get("fill") and t["yaxis"] == height["yaxis"])
    assert band["y"] == [50.1, 50.1, 49.9, 49.9]
    left_out = [t for t in figure if t["mode"] == "markers"]
    assert left_out and all(t["x"] == [0.0] for t in left_out)
    line = next(t for t in figure if t.get("name", "").startswith("line fitted"))
    assert line["y"][1] - line["y"][0] == pytest.approx(0.2512345, abs=2e-4)


def test_page_without_rails_or_points_still_stands():
    bare = replace(straightness(), stations=(), measures={"twist_deg": Measure(None, None, "deg", "no rails")})
    given = (cleaned(*plates()), features(), datum(), MountPoints((), ()), bare)
    page = Page(report_html(*given, SMALL, "bare").decode())
    assert "no rails" in page.texts and "not determinable" in page.texts


def test_page_without_a_stretch_measured_says_so_and_no_nan():
    bare = replace(straightness(), stations=(), from_x_mm=np.nan, to_x_mm=np.nan, gauge_width_mm=np.nan)
    given = (cleaned(*plates()), features(), datum(), MountPoints((), ()), bare)
    page = Page(report_html(*given, SMALL, "bare").decode())
    assert any("Not measured: the scan gave too few pairs of rail stations." in text for text in page.texts)
    assert not any("nan" in text.lower().split() for text in page.texts)


def test_colours_of_text_meet_aa_in_light_and_dark():
    """Contrast of at least 4.5 : 1 (WCAG 2.2, 1.4.3), relative luminance as defined there."""
    style = (resources.files("barerail.outputs") / "templates/report.css").read_text("utf-8")
    themes = [dict(re.findall(r"--([\w-]+): (#\w+);", block)) for block in re.findall(r":root \{(.*?)\}", style, re.S)]
    assert len(themes) == 3
    pairs = [("ink", "paper"), ("ink", "card"), ("soft", "paper"), ("soft", "card"), ("accent", "paper")]
    pairs += [("accent", "card"), ("warn-ink", "warn"), ("stamp", "paper"), ("ink", "tag"), ("paper", "ink")]
    for theme in themes:
        for text, ground in pairs:
            light, dark = sorted((luminance(theme[text]), luminance(theme[ground])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (text, ground, theme)


def test_picture_is_a_png_of_the_chassis_and_its_points():
    clean = cleaned(*plates())
    first = picture_png(clean, datum(), labelled(), width=500)
    assert first == picture_png(clean, datum(), labelled(), width=500)
    pixels = np.asarray(Image.open(BytesIO(first)).convert("RGB")).astype(int)
    assert pixels.shape[1] == 500
    drawn = np.abs(pixels - [243, 241, 234]).max(axis=2) > 25
    assert 0.05 < drawn.mean() < 0.9
    blue = (pixels[..., 2] > pixels[..., 0] + 80).sum()
    assert blue > 30


# ---- in a browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if CHROMIUM is None:
        pytest.skip("no Chromium on PATH (Debian: apt-get install chromium)")
    with Browser(tmp_path_factory.mktemp("profile")) as found:
        yield found


@pytest.fixture(scope="module")
def file(html: str, tmp_path_factory) -> Path:
    made_file = tmp_path_factory.mktemp("page") / "report.html"
    made_file.write_text(html, "utf-8")
    return made_file


READY = "document.body && document.body.dataset.ready"
EYE = "(() => { const e = document.getElementById('scene').layout.scene.camera.eye; return [e.x, e.y, e.z]; })()"


def press(browser: Browser, selector: str, event: str) -> None:
    """Click, and wait until plotly says it has followed."""
    browser.run(
        f"new Promise((done) => {{ document.getElementById('scene').once('{event}', () => done(1));"
        f" document.querySelector({json.dumps(selector)}).click(); }})"
    )


def test_browser_shows_the_page_offline(browser, file):
    browser.open(file, 1280, 900, READY)
    assert browser.errors == []
    assert [r for r in browser.requests if not r.startswith(("file:", "data:", "blob:", "about:"))] == []
    assert browser.run("document.getElementById('scene').querySelectorAll('canvas').length") >= 1
    scales = browser.run(
        "(() => { const s = document.getElementById('scene').layout.scene, r = s.aspectratio;"
        " return ['x', 'y', 'z'].map((k) => r[k] / (s[k + 'axis'].range[1] - s[k + 'axis'].range[0])); })()"
    )
    assert max(scales) / min(scales) == pytest.approx(1, abs=1e-9)

    towards = {"top": (0, 0, 1), "left": (0, 1, 0), "right": (0, -1, 0), "front": (1, 0, 0), "rear": (-1, 0, 0)}
    for name, direction in {**towards, "under": (0, 0, -1)}.items():
        press(browser, f"[data-view={name}]", "plotly_relayout")
        eye = np.array(browser.run(EYE))
        assert eye / np.linalg.norm(eye) == pytest.approx(direction, abs=1e-9)
        assert browser.run(f"document.querySelector('[data-view={name}]').ariaPressed") == "true"
    press(browser, "[data-view=three-quarter]", "plotly_relayout")
    assert min(browser.run(EYE)) > 0

    before = browser.run("document.getElementById('scene').layout.scene.aspectratio.x")
    press(browser, "[data-zoom='1.3']", "plotly_relayout")
    assert browser.run("document.getElementById('scene').layout.scene.aspectratio.x") == pytest.approx(1.3 * before)


def test_browser_switches_names_and_points(browser, file):
    browser.open(file, 1280, 900, READY)
    kinds = sorted({p.kind for p in labelled().points})
    offered = browser.run("[...document.querySelectorAll('[data-show=points]')].map((b) => b.dataset.kind)")
    assert sorted(offered) == kinds
    visible = "document.getElementById('scene').data.filter((t) => t.meta.kind == 'hole' && t.visible !== false).length"
    assert browser.run(visible) > 0
    press(browser, "[data-show=points][data-kind=hole]", "plotly_restyle")
    assert browser.run(visible) == 0
    names = "[...document.querySelectorAll('.tag:not(.fixed)')].filter((t) => t.style.visibility === 'visible').length"
    assert browser.run(names) > 3
    browser.run("document.querySelectorAll('[data-show=names]').forEach((b) => b.checked && b.click())")
    assert browser.run(names) == 0
    press(browser, "[data-show=scan]", "plotly_restyle")
    assert browser.run("document.getElementById('scene').data[0].visible") is False

    browser.run("document.querySelector('[data-point=\"0\"]').click()")
    card = browser.run("document.getElementById('card').textContent")
    first = labelled().points[0]
    assert one_line(first.name) in card and f"{first.position[0]:.2f}" in card and "right hole" in card
    assert browser.errors == []


@pytest.mark.parametrize("dark", [False, True])
def test_phone_needs_no_sideways_scroll(browser, file, dark):
    browser.open(file, 390, 844, READY, dark=dark)
    assert browser.run("document.documentElement.scrollWidth") <= 390
    assert browser.run("document.getElementById('scene').clientWidth") > 300
    ground = browser.run("getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", ground))) < 200) == dark
    assert browser.errors == []


def test_keys_turn_the_view(browser, file):
    browser.open(file, 800, 600, READY)
    before = np.array(browser.run(EYE))
    browser.run("document.getElementById('scene').focus()")
    browser.run(
        "new Promise((done) => { const s = document.getElementById('scene'); s.once('plotly_relayout', () => done(1));"
        " s.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight' })); })"
    )
    after = np.array(browser.run(EYE))
    assert after[2] == pytest.approx(before[2], abs=1e-6) and np.linalg.norm(after - before) > 1


def name_it(browser: Browser, row: int, text: str) -> str:
    """Choose a point, type a name, press the button; what the page says then."""
    browser.run(f"document.querySelector('[data-point=\"{row}\"]').click()")
    browser.run(f"document.querySelector('#naming input').value = {json.dumps(text)}")
    browser.run("document.querySelector('#naming [type=submit]').click()")
    return browser.run("document.getElementById('naming-told').textContent")


def test_names_given_by_clicking_make_a_file_that_the_points_stage_takes(browser, file):
    browser.open(file, 1280, 900, READY)
    points = labelled().points
    left = next(i for i, p in enumerate(points) if p.side == "L" and p.partner)
    other = next(i for i, p in enumerate(points) if p.name == points[left].partner)
    alone = next(i for i, p in enumerate(points) if p.side == "C")
    another = next(i for i, p in enumerate(points) if p.side == "L" and not p.partner)
    assert "Named arm, front-L and arm, front-R" in name_it(browser, left, "arm, front")
    assert "is on the left" in name_it(browser, left, "arm-R")
    assert "is given already" in name_it(browser, another, "arm, front-L")
    name_it(browser, alone, "jack")
    wanted = parse(browser.run("namesFile()").encode(), "names.csv").wanted
    assert [w.name for w in wanted] == ["arm, front-L", "arm, front-R", "jack"]
    for w, row in zip(wanted, (left, other, alone)):
        assert w.kind == points[row].kind and w.position == pytest.approx(points[row].position, abs=6e-4)
    tags = browser.run("[...document.querySelectorAll('.tag')].map((t) => t.textContent)")
    assert "arm, front-L" in tags and one_line(points[left].name) not in tags
    for _ in range(2):
        browser.run("document.querySelector('#naming [data-do=undo]').click()")
    assert parse(browser.run("namesFile()").encode(), "names.csv").wanted == ()
    assert browser.run("document.querySelector('#naming [data-do=download]').disabled") is True
    assert browser.errors == []


def data_of(html: str) -> dict:
    return json.loads(_data_text(html))


def _data_text(html: str) -> str:
    return re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.S).group(1)


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])
