"""The first look: options that the command line takes, sides that agree, and thin spots named where they are."""

import json
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import scan_files
from stand_ins import Stages
from typer.testing import CliRunner

from barerail.cli import app
from barerail.outputs.page_look import look_html, sparseness, thin_spots
from barerail.records import CleanScan, Scan, Source
from barerail.settings import ReportSettings, Settings
from barerail.store import config
from browser import CHROMIUM, Browser

READY = "document.body && document.body.dataset.ready"


def cleaned(unit: str = "mm", mm: float = 1.0) -> CleanScan:
    """A flat bed 2 m by 1 m, its normals up, in cells of 20 mm with 16 points each, and 2 in those of one corner."""
    x, y = (v.ravel() for v in np.meshgrid(np.arange(0, 2000, 20.0), np.arange(0, 1000, 20.0)))
    thin = np.column_stack([x, y, np.zeros(len(x))])
    count = np.where((x > 1800) & (y > 800), 2, 16)
    start = np.concatenate([[0], np.cumsum(count)])
    source = Source("bed.ply", "", 0, (0, int(start[-1])), np.eye(4))
    scan = Scan(np.repeat(thin, count, axis=0), None, None, unit, mm, False, (source,))
    near = np.array([[i - 1 if i % 100 else -1, i + 1 if (i + 1) % 100 else -1] for i in range(len(x))], np.int32)
    return CleanScan(scan, thin, np.tile([0.0, 0, 1], (len(x), 1)), False, np.zeros(len(x)),
                     np.zeros(len(x), np.uint8), np.arange(start[-1]), start, 20.0, 5.0, 0.1, None, (),
                     near)  # fmt: skip


def test_a_thin_corner_is_found_where_it_is() -> None:
    clean = cleaned()
    ((name, at, words),) = thin_spots(clean, sparseness(clean))
    assert name == "thin 1" and at[:2] == pytest.approx([1910, 910], abs=20)
    assert float(re.search(r"at ([\d.]+) mm", words).group(1)) == pytest.approx(5 * np.sqrt(8), rel=0.1)


def test_look_writes_a_page_and_a_run_goes_on_from_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stages = Stages(monkeypatch)
    scan = scan_files.ply(tmp_path / "frame.ply")
    monkeypatch.chdir(tmp_path)
    outcome = CliRunner().invoke(app, ["look", str(scan)])
    assert outcome.exit_code == 0, outcome.output
    assert outcome.stdout.strip() == "frame/look.html" and stages.done == ["clean"]
    page = (tmp_path / "frame/look.html").read_text("utf-8")
    assert "barerail run frame.ply --job frame" in page
    assert "http" not in page.split("<script")[0].replace("http-eq", "")
    assert CliRunner().invoke(app, ["run", str(scan), "--job", "frame", "--front=1,0,0"]).exit_code == 0
    assert stages.done.count("clean") == 1
    missing = CliRunner().invoke(app, ["look", "--job", "nowhere"])
    assert missing.exit_code == 2 and len(missing.stderr.strip().splitlines()) == 1


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on PATH (Debian: apt-get install chromium)")
def test_touching_front_up_and_left_gives_options_and_settings(tmp_path: Path) -> None:
    """The bed in metres, front at +x: what is touched at y = 0.9 is on the left, at y = 0.1 on the right."""
    file = tmp_path / "look.html"
    file.write_bytes(look_html(cleaned("m", 1000.0), ReportSettings(), "bed", "barerail run bed.ply --job bed"))
    with Browser(tmp_path / "profile") as tab:
        tab.open(file, 1280, 900, READY)

        def touch(*place: float) -> str:
            detail = json.dumps({"detail": {"place": place, "eye": [0, 0, 20]}})
            tab.run(f"document.dispatchEvent(new CustomEvent('touched', {detail}))")
            return tab.run("document.getElementById('steps-told').textContent")

        assert "Turn the scan" in touch(1900.0, 500, 0)
        assert "Enough" in touch(1000.0, 500, 0)
        assert "on the right" in touch(1000.0, 100, 0)
        assert tab.run("document.querySelector('#steps [data-do=download]').disabled") is True
        tab.run("document.querySelector('#steps [data-do=undo]').click()")
        assert "All three agree" in touch(1000.0, 900, 0)
        options = tab.run("document.getElementById('steps-options').textContent")
        settings = tab.run("lookFile()")
        assert tab.errors == [] and tab.run("document.documentElement.scrollWidth") <= 1280
    front, above = (tuple(map(float, part.split(","))) for part in re.findall(r"=(\S+)", options))
    assert "--unit m " in options and front == pytest.approx((1.9, 0.5, 0.0)) and above[2] > 1.0
    found = config.build(Settings().model_dump(mode="json") | tomllib.loads(settings), "look.toml")
    assert found.datum.front == pytest.approx(front) and found.read.unit == "m"
