"""A picture of a section: its lines on a grid with the axes' names."""

from io import BytesIO

import numpy as np

from barerail.outputs.flat import Path, Sheet
from barerail.outputs.words import one_line

WIDTH, EDGE = 1600, 70
COLOURS = {"SECTION": "#20303c", "GAP": "#d03020"}
GRID, PAPER = "#d9dcd6", "#ffffff"
STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)


def section_png(sheet: Sheet, across: str, up: str) -> bytes:
    """PNG, 1600 pixels at its longer side, a grid in round mm, the axes named."""
    from PIL import Image, ImageDraw, ImageFont

    low, high = sheet.bounds()
    scale = (WIDTH - 2 * EDGE) / float((high - low).max())
    size = np.maximum(np.rint((high - low) * scale), 200).astype(int) + 2 * EDGE
    image = Image.new("RGB", (int(size[0]), int(size[1])), PAPER)
    pen, font = ImageDraw.Draw(image), ImageFont.load_default(16)

    def place(at: np.ndarray) -> tuple[float, float]:
        return EDGE + scale * float(at[0] - low[0]), float(size[1]) - EDGE - scale * float(at[1] - low[1])

    step = next((s for s in STEPS if s * scale > 90), STEPS[-1])
    for k in range(2):
        for value in np.arange(np.ceil(low[k] / step), np.floor(high[k] / step) + 1) * step:
            x, y = place(np.array([value, low[1]] if k == 0 else [low[0], value]))
            pen.line([(x, EDGE), (x, size[1] - EDGE)] if k == 0 else [(EDGE, y), (size[0] - EDGE, y)], fill=GRID)
            pen.text((x - 12, size[1] - EDGE + 8) if k == 0 else (8, y - 9), f"{value:z.0f}", fill="#606860", font=font)
    for shape in sheet.shapes:
        if isinstance(shape, Path):
            pen.line([place(q) for q in shape.points], fill=COLOURS[shape.layer], width=2)
    pen.text((EDGE, 8), one_line(f"{sheet.title}; grid {step} mm; {sheet.notes[0]}"), fill="#20303c", font=font)
    pen.text((EDGE, size[1] - 28), f"right: {one_line(across)}, mm; up: {one_line(up)}, mm", fill="#20303c", font=font)
    out = BytesIO()
    image.save(out, "PNG", optimize=True)
    return out.getvalue()
