"""Tables as sheets: rows of plain cells, as many to a sheet as fit."""

from collections.abc import Sequence

from barerail.outputs.sheets.paper import FONT_WIDTH, Label, Mark, Paper, Stroke
from barerail.outputs.words import one_line

ROW, TEXT, LEFT, TOP, FOOT = 4.4, 2.3, 12.0, 14.0, 46.0


def table_papers(
    name: str, title: str, head: Sequence[str], rows: Sequence[Sequence[str]], size: tuple[float, float]
) -> list[Paper]:
    """The table under its title, its head again on each sheet; columns as wide as their longest cell, cut where the
    sheet ends."""
    if not rows:
        return []
    cells = [[one_line(str(c)) for c in row] for row in (head, *rows)]
    widths = [max(len(row[k]) for row in cells) * TEXT * FONT_WIDTH + 3.0 for k in range(len(head))]
    widths = [min(w, 0.3 * size[0]) for w in widths]
    squeeze = min(1.0, (size[0] - 2 * LEFT) / sum(widths))
    per = int((size[1] - TOP - FOOT - 2 * ROW) // ROW)
    papers = []
    for first in range(0, len(rows), per):
        marks: list[Mark] = [Label((LEFT, size[1] - TOP), title, 3.4)]
        for i, row in enumerate([cells[0], *cells[1 + first : 1 + first + per]]):
            marks += _row(row, widths, squeeze, size[1] - TOP - (i + 1.6) * ROW)
        y = size[1] - TOP - 1.9 * ROW
        marks.append(Stroke([(LEFT, y), (size[0] - LEFT, y)], width=0.25))
        papers.append(Paper(f"{name}-{1 + first // per}", size, marks))
    return papers


def _row(cells: Sequence[str], widths: Sequence[float], squeeze: float, y: float) -> list[Mark]:
    marks: list[Mark] = []
    x = LEFT
    for text, width in zip(cells, widths):
        fit = int(width / (TEXT * FONT_WIDTH))
        marks.append(Label((x, y), text if len(text) <= fit else f"{text[: fit - 1]}…", TEXT * squeeze))
        x += width * squeeze
    return marks
