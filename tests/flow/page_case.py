"""A page made of hand-made records: two plates with points, names that look like markup, and its text read back."""

import json
import re
from html.parser import HTMLParser

import numpy as np
from outputs_case import CAR_FROM_SCAN, datum, features, mount_points, point, straightness

from barerail.geometry.frames import invert, transform
from barerail.geometry.neighbours import cell_keys, into_cells
from barerail.outputs.page import report_html
from barerail.records import (
    CHASSIS,
    CleanScan,
    Datum,
    MountPoints,
    Note,
    Scan,
    Source,
)
from barerail.settings import ReportSettings

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
        scan=scan, thin=cells.mean, normals=mean / np.linalg.norm(mean, axis=1, keepdims=True), own_normals=True,
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


def data_of(html: str) -> dict:
    return json.loads(data_text(html))


def data_text(html: str) -> str:
    return re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.S).group(1)
