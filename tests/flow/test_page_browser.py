"""The page in a browser: offline, every button, names given by clicking, keys, a phone, both themes."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from outputs_case import datum, features, straightness
from page_case import SMALL, cleaned, labelled, made, plates

from barerail.outputs.page import report_html
from barerail.outputs.words import one_line
from barerail.records import MountPoints
from barerail.store.names import parse
from browser import CHROMIUM, Browser

READY = "document.body && document.body.dataset.ready"
EYE = "(() => { const e = document.getElementById('scene').layout.scene.camera.eye; return [e.x, e.y, e.z]; })()"


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if CHROMIUM is None:
        pytest.skip("no Chromium on PATH (Debian: apt-get install chromium)")
    with Browser(tmp_path_factory.mktemp("profile")) as found:
        yield found


@pytest.fixture(scope="module")
def file(tmp_path_factory) -> Path:
    made_file = tmp_path_factory.mktemp("page") / "report.html"
    made_file.write_text(made(), "utf-8")
    return made_file


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


def test_a_node_named_by_clicking_brings_its_tubes_by_the_names_they_have_then(browser, file):
    browser.open(file, 1280, 900, READY)
    points = labelled().points
    node = next(i for i, p in enumerate(points) if p.kind == "tube-node")
    tube = next(i for i, p in enumerate(points) if p.name == points[node].tubes[0])
    name_it(browser, node, "joint")
    name_it(browser, tube, "cross")
    wanted = {w.name: w for w in parse(browser.run("namesFile()").encode(), "names.csv").wanted}
    assert wanted["joint-L"].tubes == ("cross", points[node].tubes[1])
    assert {w.name: w.kind for w in wanted.values()} == {"joint-L": "tube-node", "cross": "tube", "rail L": "rail"}
    for _ in range(2):
        browser.run("document.querySelector('#naming [data-do=undo]').click()")
    assert browser.errors == []


def test_names_and_undo_stay_when_the_page_is_opened_again(browser, file):
    points = labelled().points
    left = next(i for i, p in enumerate(points) if p.side == "L" and p.partner)
    browser.open(file, 1280, 900, READY)
    assert "stay in this browser" in browser.run("document.getElementById('naming-kept').textContent")
    name_it(browser, left, "arm")
    browser.open(file, 1280, 900, READY)
    assert "Names from before are back: 2." in browser.run("document.getElementById('naming-told').textContent")
    assert [w.name for w in parse(browser.run("namesFile()").encode(), "names.csv").wanted] == ["arm-L", "arm-R"]
    key = "Object.keys(localStorage).find((name) => name.endsWith(location.pathname))"
    gone = f"(() => {{ const k = {key}, a = JSON.parse(localStorage[k]);"
    browser.run(f"{gone} a.given.push(['nobody', 'lost-L']); localStorage[k] = JSON.stringify(a); }})()")
    browser.open(file, 1280, 900, READY)
    assert "their points no more: 1." in browser.run("document.getElementById('naming-told').textContent")
    browser.run("document.querySelector('#naming [data-do=undo]').click()")
    browser.open(file, 1280, 900, READY)
    assert parse(browser.run("namesFile()").encode(), "names.csv").wanted == ()
    assert browser.errors == []


def test_a_page_of_another_scan_at_the_same_place_takes_no_names(browser, tmp_path):
    left = next(i for i, p in enumerate(labelled().points) if p.side == "L" and p.partner)
    page, clean = tmp_path / "report.html", cleaned(*plates())
    later = replace(clean.scan, sources=tuple(replace(s, sha256="cd" * 32) for s in clean.scan.sources))
    for scan, names, own in ((clean.scan, [], "arm"), (later, [], "link"), (clean.scan, ["arm-L", "arm-R"], None)):
        page.write_text(made(replace(clean, scan=scan)), "utf-8")
        browser.open(page, 1280, 900, READY)
        assert [w.name for w in parse(browser.run("namesFile()").encode(), "names.csv").wanted] == names
        if own:
            name_it(browser, left, own)
    assert browser.errors == []


def test_a_page_without_points_or_rails_stands_and_offers_no_names(browser, tmp_path):
    bare = replace(straightness(), stations=(), from_x_mm=np.nan, to_x_mm=np.nan, gauge_width_mm=np.nan)
    page = tmp_path / "report.html"
    page.write_bytes(report_html(cleaned(*plates()), features(), datum(), MountPoints((), ()), bare, SMALL, "bare"))
    browser.open(page, 390, 844, READY)
    assert browser.errors == [] and browser.run("document.documentElement.scrollWidth") <= 390
    assert browser.run("document.getElementById('naming') || document.getElementById('plot')") is None
    assert "No points were found" in browser.run("document.getElementById('points').textContent")
    press(browser, "[data-view=left]", "plotly_relayout")
    browser.run("dispatchEvent(new Event('beforeprint')); dispatchEvent(new Event('afterprint'))")
    assert browser.errors == []


def test_a_browser_that_keeps_nothing_says_so(browser, file):
    none = "Object.defineProperty(window, 'localStorage', { get() { throw new Error('none'); } });"
    added = browser.call("Page.addScriptToEvaluateOnNewDocument", source=none)
    browser.open(file, 1280, 900, READY)
    assert "download the names before you close it" in browser.run("document.getElementById('naming-kept').textContent")
    assert "Named jack" in name_it(browser, next(i for i, p in enumerate(labelled().points) if p.side == "C"), "jack")
    assert browser.run("dispatchEvent(new Event('beforeunload', { cancelable: true }))") is False
    browser.run("document.querySelector('#naming [data-do=undo]').click()")
    assert browser.run("dispatchEvent(new Event('beforeunload', { cancelable: true }))") is True
    browser.call("Page.removeScriptToEvaluateOnNewDocument", identifier=added["identifier"])
    assert browser.errors == []
