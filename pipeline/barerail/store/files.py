"""Files written whole or not at all, and their hashes."""

import errno
import hashlib
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from barerail.errors import UsageError

Content = bytes | Callable[[BinaryIO], None]
"""What goes into a file: its bytes, or a function that writes them."""

PART = ".part"
_FORBIDDEN = "no permission to write there: choose another folder, or change its permissions"
_WHY = {
    errno.ENOSPC: "the disk is full: free some space and run again; stages already done are kept",
    errno.EDQUOT: "the disk quota is used up: free some space and run again; stages already done are kept",
    errno.EACCES: _FORBIDDEN,
    errno.EPERM: _FORBIDDEN,
    errno.EROFS: "the disk is read-only: choose another folder",
}


def sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@dataclass(frozen=True)
class Draft:
    """A file that is complete on disk under a temporary name beside its own."""

    path: Path
    part: Path
    sha256: str

    def publish(self) -> None:
        """Rename to its own name: whoever opens that name sees the old file or the new one, never a mixture."""
        try:
            os.replace(self.part, self.path)
        except OSError as error:
            raise disk_error(error, self.path) from error

    def discard(self) -> None:
        self.part.unlink(missing_ok=True)


def draft(path: Path, content: Content) -> Draft:
    """Write and sync under a temporary name; UsageError where the disk is full or forbidden, and nothing is left."""
    part = path.with_name(f".{path.name}{PART}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as stream:
            if isinstance(content, bytes):
                stream.write(content)
            else:
                content(stream)
            stream.flush()
            os.fsync(stream.fileno())
        return Draft(path, part, sha256(part))
    except BaseException as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise disk_error(error, path) from error
        raise


def write(path: Path, content: Content) -> None:
    """A draft, published at once."""
    draft(path, content).publish()


def sweep(folder: Path) -> None:
    """Remove the drafts that a killed run left behind."""
    for part in folder.rglob(f".*{PART}"):
        part.unlink(missing_ok=True)


def is_disk(error: OSError) -> bool:
    """Whether the fault is the disk's: full, read-only or forbidden."""
    return error.errno in _WHY


def disk_error(error: OSError, path: Path) -> UsageError:
    """The one line a user gets for a fault of the disk at `path`."""
    why = _WHY.get(error.errno or 0, (error.strerror or type(error).__name__).lower())
    return UsageError(f"can't write {path}: {why}")
