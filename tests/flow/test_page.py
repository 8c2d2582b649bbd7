"""The page: one file, nothing fetched, every point in it, what was guessed in a box, colours that can be read."""

import base64
import re
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest
from outputs_case import datum, features, straightness
from page_case import NASTY, SMALL, Page, cleaned, data_of, data_text, labelled, made, plates

from barerail.outputs.page import VIEW, report_html
from barerail.outputs.page_gaps import DOUBTFUL, MISSED
from barerail.outputs.page_tables import assumptions
from barerail.outputs.page_view import MARKS
from barerail.outputs.words import one_line
from barerail.records import (
    Check,
    Compared,
    Measure,
    MountPoints,
    Note,
)
from barerail.settings import ReportSettings


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
    script = "".join(file.read_text("utf-8") for file in templates.iterdir() if file.name.endswith(".js"))
    assert not re.search(r"url\(|@import|https?:", style)
    assert not re.search(r"https?:|fetch\(|XMLHttpRequest|import\(|WebSocket|sendBeacon", script)


def test_names_are_text_never_markup(html, page):
    assert [tag for tag, _ in page.elements].count("script") == len(VIEW) + 3
    assert not any(name.startswith("on") for _, attributes in page.elements for name in attributes)
    for p in labelled().points:
        assert one_line(p.name) in page.texts
    for name in NASTY:
        assert name not in html.replace(data_text(html), "")
    assert "A <title> & more" in page.texts and "<b>noted</b>" in page.texts and "<b>" not in data_text(html)


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
            assert contrast(theme[text], theme[ground]) >= 4.5, (text, ground, theme)


def test_marks_stand_out_of_the_view_in_light_and_dark():
    """At least 3 : 1 (WCAG 2.2, 1.4.11) against the ground of the view."""
    style = (resources.files("barerail.outputs") / "templates/report.css").read_text("utf-8")
    for ground in re.findall(r"--stage: (#\w+);", style)[:2]:
        for colour in (MISSED, DOUBTFUL, *(colour for _, colour in MARKS.values())):
            assert contrast(colour, ground) >= 3.0, (colour, ground)


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])
