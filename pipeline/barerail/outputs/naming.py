"""Names as parts of file names."""

import re

from barerail.errors import UsageError
from barerail.outputs.words import UNPRINTABLE

LONGEST = 120


def file_stem(name: str, cure: str) -> str:
    """`name` itself where any system takes it in a file name; UsageError, with the cure, where not."""
    if not name.strip() or UNPRINTABLE.search(name) or re.search(r'[/\\:*?"<>|]', name) or name.startswith("."):
        raise UsageError(f"{name!r} can't be part of a file name: {cure}")
    if len(name.encode()) > LONGEST:
        raise UsageError(f"{name[:20]}... is too long for a file name: {cure}")
    return name
