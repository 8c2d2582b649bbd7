"""What the sheets of parts share: their folder, their cautions, and the sheet itself."""

from collections.abc import Sequence

from barerail.outputs.header import CAUTION
from barerail.outputs.words import stamp, wrapped
from barerail.records import Datum, Note

FOLDER = "export"
PARTS = (
    "a hole is no load path, a fit is no strength check, and a gap on a bare frame says nothing of movement, heat or "
    "what is bolted on later"
)


def sheet_text(words: str, datum: Datum, notes: Sequence[Note] = ()) -> bytes:
    """A sheet: its words, what is to be said about them, then datum, scale and cautions."""
    below = [
        *(f"{'! ' if n.warning else ''}{n.text}" for n in notes),
        stamp(datum),
        f"datum: {datum.origin}",
        datum.scale,
        f"cautions: {CAUTION}; {PARTS}",
    ]
    return "\n".join([words, "", *(line for text in below if text for line in wrapped(text)), ""]).encode()
