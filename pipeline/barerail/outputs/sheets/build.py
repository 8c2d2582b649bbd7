"""All sheets of a job: views, tables, close-ups, each with its title block."""

import numpy as np

from barerail import __version__
from barerail.outputs.datum_words import datum_words
from barerail.outputs.in_axes import forward, points_forward
from barerail.outputs.joints import at_joints
from barerail.outputs.page_scan import shown
from barerail.outputs.page_tables import Row, bay_rows, measure_rows, pair_rows, point_rows
from barerail.outputs.sheets.closeups import closeup_papers
from barerail.outputs.sheets.paper import SIZES, Label, Mark, Paper, Stroke, pdf_of, png_of
from barerail.outputs.sheets.tables import table_papers
from barerail.outputs.sheets.views import LOOKS, MARGIN, view_paper
from barerail.outputs.words import axes_words, one_line, stamp, wrapped
from barerail.records import CleanScan, Datum, MountPoints, Straightness, Written
from barerail.settings import SheetsSettings

FOLDER = "sheets"
DRAWN = 400_000
"""Points drawn in each view: more than a sheet at 300 dpi shows."""
BLOCK = (190.0, 26.0)
CHARACTERS = 150
"""In a line of the title block."""
POINTS = (
    "name",
    "kind",
    "side",
    "x",
    "y",
    "z",
    "diameter",
    "length",
    "axis",
    "arc deg",
    "points",
    "rms",
    "state, note",
)
PAIRS = ("left", "right", "x", "y", "z", "distance", "against U")


def sheets(
    clean: CleanScan,
    datum: Datum,
    points: MountPoints,
    straightness: Straightness,
    settings: SheetsSettings,
    title: str,
) -> Written:
    """sheets.pdf with everything, and a PNG of each view.

    Views are orthographic, to a scale of ISO 5455; U is k = 2; the stamp UNCONFIRMED stands in every title block.
    """
    size, points = SIZES[settings.paper], at_joints(points)
    views = drawn(clean, datum, points, size)
    papers = [*views, *_tables(points, straightness, size), *closeup_papers(clean, datum, points.points, size)]
    words = {look.name: look.words for look in LOOKS}
    for i, paper in enumerate(papers):
        paper.marks.extend(_block(paper, datum, title, words.get(paper.name, ""), f"{i + 1} of {len(papers)}"))
    files = {f"{FOLDER}/{paper.name}.png": png_of(paper) for paper in views}
    return Written({f"{FOLDER}/sheets.pdf": pdf_of(papers, title), **files})


def drawn(clean: CleanScan, datum: Datum, points: MountPoints, size: tuple[float, float]) -> list[Paper]:
    """The views, without title blocks; drawn with x forward and y left, whatever the datum's axes."""
    ahead, placed = forward(datum), points_forward(points, datum).points
    scan = shown(clean, ahead, placed, budget=DRAWN)
    return [view_paper(look, scan, placed, size) for look in LOOKS]


def _tables(points: MountPoints, s: Straightness, size: tuple[float, float]) -> list[Paper]:
    measures = [row.cells for row in measure_rows(s)]
    return [
        *table_papers("points", "Points in car axes, mm, ± U (k = 2)", POINTS, _cells(point_rows(points)), size),
        *table_papers("pairs", "Right mirrored, less left, mm, ± U (k = 2)", PAIRS, _cells(pair_rows(points)), size),
        *table_papers("straightness", "Straightness, ± U (k = 2)", ("measure", "value", "verdict"), measures, size),
        *table_papers(
            "bays",
            "What a tape should read, mm, ± U (k = 2)",
            ("reading", "from", "to", "straight", "in plan"),
            _cells(bay_rows(s)),
            size,
        ),
    ]


def _cells(rows: list[Row]) -> list[tuple[str, ...]]:
    return [row.cells for row in rows]


def _block(paper: Paper, datum: Datum, title: str, words: str, number: str) -> list[Mark]:
    """Frame and title block: scan, view, axes, datum with U, stamp, caution."""
    wide, high = paper.size
    x, y = wide - MARGIN - BLOCK[0], MARGIN
    marks: list[Mark] = [_frame((MARGIN / 2, MARGIN / 2), (wide - MARGIN, high - MARGIN)), _frame((x, y), BLOCK)]
    date = [line for line in datum_words(datum).splitlines() if "U (k" in line]
    lines = [
        f"{one_line(title)}   {paper.name}{', ' if words else ''}{words}",
        f"{axes_words(datum)}; mm; barerail {__version__}; sheet {number}; date ____________",
        *wrapped(f"datum by {datum.method}; {' '.join(date).strip() or 'no U stated'}", CHARACTERS)[:2],
        "Measurement aid only, no inspection certificate. Check scale, side and three hand measurements first.",
        one_line(stamp(datum)),
        one_line(datum.scale) if datum.scale.startswith("SCALE NOT") else "",
    ]
    for i, line in enumerate(filter(None, lines)):
        colour = "#a8201a" if line.startswith(("UNCONFIRMED", "SCALE NOT")) else "#202428"
        marks.append(Label((x + 2, y + BLOCK[1] - 4 - 4 * i), line[:CHARACTERS], 3.0 if i == 0 else 2.2, colour))
    return marks


def _frame(at: tuple[float, float], size: tuple[float, float]) -> Stroke:
    (x, y), (wide, high) = at, size
    corners = np.array([(0, 0), (wide, 0), (wide, high), (0, high), (0, 0)]) + np.array([x, y])
    return Stroke([(float(a), float(b)) for a, b in corners], width=0.35)
