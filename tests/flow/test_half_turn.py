"""With a datum that counts x rearward and y right (ISO 4130), pictures and words show the car's own front and left.

A known left-hand feature is on the left in every one of them.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import outputs_case as case
import pytest
from test_section import box_scan
from test_sheets import clean as scanned
from test_unseen import station

from barerail.asked import SectionSettings
from barerail.outputs import section as cutting
from barerail.outputs.in_axes import points_in, straightness_in
from barerail.outputs.page import report_html
from barerail.outputs.page_straight import straight_figure
from barerail.outputs.page_view import rail_lines
from barerail.outputs.sheets.build import drawn
from barerail.outputs.sheets.paper import Disc
from barerail.outputs.unseen import unseen_faces
from barerail.outputs.view import HALF_TURN
from barerail.outputs.words import straightness_words
from barerail.records import Datum, Features, Rail
from barerail.settings import ReportSettings
from browser import CHROMIUM, Browser

READY = "document.body && document.body.dataset.ready"


def both() -> tuple[Datum, Datum]:
    ahead = case.datum()
    turn = np.eye(4)
    turn[:3, :3] = HALF_TURN
    return ahead, replace(ahead, axes="iso4130", car_from_scan=turn @ ahead.car_from_scan)


def with_rails() -> Features:
    """A left and a right box rail, in scan axes; a stretch of the left one lacks its inner face."""
    back = np.linalg.inv(case.datum().car_from_scan)
    rails = []
    for y, lacking in ((400.0, (1, 2)), (-400.0, ())):
        stations = [station(100.0 * i, y, (True, i not in lacking, True, True)) for i in range(5)]
        turned = [
            replace(s, centre=back[:3, :3] @ s.centre + back[:3, 3], axes=s.axes @ back[:3, :3].T) for s in stations
        ]
        rails.append(Rail("box", tuple(turned)))
    return replace(case.features(), rails=tuple(rails))


def test_faces_that_no_scan_saw_are_of_the_same_rail() -> None:
    ahead, turned = both()
    assert unseen_faces(with_rails(), ahead) == ["the inner face of the left rail from x = 100 to 200 mm"]
    assert unseen_faces(with_rails(), turned) == ["the inner face of the left rail from x = -200 to -100 mm"]


def test_a_rail_s_switch_is_that_of_its_side() -> None:
    ahead, turned = both()
    (left,) = rail_lines(with_rails(), ahead, "L")
    (same,) = rail_lines(with_rails(), turned, "L")
    assert same == pytest.approx(left @ HALF_TURN)


def test_sheets_are_drawn_alike() -> None:
    ahead, turned = both()
    points = case.mount_points()
    one, other = (drawn(scanned(), d, points_in(points, d), (420.0, 297.0)) for d in (ahead, turned))
    for a, b in zip(one, other):
        discs = [[m.at for m in paper.marks if isinstance(m, Disc)] for paper in (a, b)]
        assert a.name == b.name and np.array(discs[1]) == pytest.approx(np.array(discs[0]), abs=1e-6)


def test_the_twist_s_place_and_the_plot_count_as_the_datum_does() -> None:
    ahead, turned = both()
    s = replace(case.straightness(), sits_mm=(-300.0, 200.0))
    said = straightness_words(s)
    assert "the twist sits between x = -300 and 200 mm" in said
    assert "the twist sits between x = 300 and -200 mm" in straightness_words(straightness_in(s, turned))
    assert straight_figure(s, ahead)["layout"]["xaxis"]["title"]["text"] == "x, mm (front to the right)"
    plot = straight_figure(straightness_in(s, turned), turned)["layout"]["xaxis"]
    assert plot["title"]["text"] == "x, mm (front to the right)" and plot["autorange"] == "reversed"


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on PATH (Debian: apt-get install chromium)")
def test_the_page_s_views_look_at_the_car_s_own_front_and_left(tmp_path: Path) -> None:
    ahead, turned = both()
    eye = "(() => { const e = document.getElementById('scene').layout.scene.camera.eye; return [e.x, e.y, e.z]; })()"
    title = "document.getElementById('scene').layout.scene.xaxis.title.text"
    seen = {}
    with Browser(tmp_path / "profile") as tab:
        for d in (ahead, turned):
            s = straightness_in(case.straightness(), d)
            points = points_in(case.mount_points(), d)
            page = report_html(scanned(), case.features(), d, points, s, ReportSettings(), "t")
            file = tmp_path / f"{d.axes}.html"
            file.write_bytes(page)
            tab.open(file, 1280, 900, READY)
            for name in ("front", "left", "top"):
                tab.run(
                    "new Promise((done) => { document.getElementById('scene').once('plotly_relayout', () => done(1));"
                    f" document.querySelector('[data-view={name}]').click(); }})"
                )
                seen[d.axes, name] = np.array(tab.run(eye))
            seen[d.axes, "x"] = tab.run(title)
        assert tab.errors == []
    for name in ("front", "left", "top"):
        assert seen["iso4130", name] == pytest.approx(HALF_TURN @ seen["iso8855", name], abs=1e-6), name
    assert seen["iso8855", "x"] == "x forward, mm" and seen["iso4130", "x"] == "x rearward, mm"


def test_a_section_s_picture_names_the_axes_it_lies_in(monkeypatch) -> None:
    told = []
    monkeypatch.setattr(cutting, "section_png", lambda sheet, across, up: told.append((across, up)) or b"")
    for d, sign in zip(both(), (1, -1)):
        for plane in ({"x": 512.0 * sign}, {"z": 43.0}):
            cutting.section(box_scan(True), d, points_in(case.mount_points(), d), SectionSettings(**plane))
    assert told == [("y (left)", "z (up)"), ("x (forward)", "y (left)"),
                    ("y (right)", "z (up)"), ("x (rearward)", "y (right)")]  # fmt: skip
