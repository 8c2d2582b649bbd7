"""Reading one scan file, as tests of the readers do."""

from pathlib import Path

from barerail.store import readers


def read(path: Path, unit: str = "auto"):
    return readers.read([path], unit)
