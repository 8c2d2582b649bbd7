"""What comes packed: .gz of one scan, .zip with one scan in it; and the checks before any archive is opened."""

import gzip
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from barerail.errors import DataError
from barerail.store.files import disk_error

ENDINGS = (".gz", ".zip")
_MOST, _FREE = 200, 1 << 24
"""An archive may unpack to this many times its size (scans: 2 to 20), small ones to 16 MB (judgement)."""
_PIECE = 1 << 20


class Counted:
    """A stream of unpacked bytes that refuses to give more than `most`."""

    def __init__(self, stream: BinaryIO, most: int, path: Path) -> None:
        self.stream, self.left, self.most, self.path = stream, most, most, path

    def read(self, n: int = _PIECE) -> bytes:
        try:
            data = self.stream.read(n)
        except (OSError, EOFError, zlib.error, zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
            raise DataError(
                f"{self.path.name} is damaged: it can't be unpacked ({str(error)[:80]}): copy it again"
            ) from error
        self.left -= len(data)
        if self.left < 0:
            raise DataError(
                f"{self.path.name} unpacks to more than {self.most / 1e6:.0f} MB, over {_MOST} times "
                "its size: that is no scan"
            )
        return data


@contextmanager
def opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """A zip archive whose names all stay inside it; DataError where one doesn't, or it is none."""
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, OverflowError) as error:
        raise DataError(f"{path.name} is damaged, or no archive whatever its name says: copy it again") from error
    with archive:
        for name in archive.namelist():
            parts = PurePosixPath(name.replace("\\", "/"))
            if parts.is_absolute() or ".." in parts.parts or ":" in name or "\0" in name:
                raise DataError(f"{path.name} holds a file that would lie outside it ({name[:80]!r}): it is not opened")
        yield archive


def member(archive: zipfile.ZipFile, name: str, path: Path) -> Counted:
    """The bytes of one file in an archive, counted."""
    info = archive.getinfo(name)
    if info.flag_bits & 1:
        raise DataError(f"{path.name} is locked by a password: unpack it, and give the scan that is in it")
    try:
        return Counted(archive.open(info), most(info.compress_size), path)  # type: ignore[arg-type]
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, ValueError) as error:
        raise DataError(f"{path.name} is damaged: {name[:80]} in it can't be opened: copy it again") from error


def most(size: int) -> int:
    """To how many bytes so many packed ones may unpack."""
    return max(_MOST * size, _FREE)


def inner(path: Path, endings: Collection[str]) -> str:
    """Name of the one scan in an archive; DataError where it holds none or several."""
    if path.suffix.lower() == ".gz":
        return path.stem
    with opened(path) as archive:
        names = [n for n in archive.namelist() if _is_scan(n, endings)]
    if len(names) != 1:
        found = f"{len(names)} scans ({', '.join(PurePosixPath(n).name for n in names[:3])})" if names else "no scan"
        raise DataError(f"{path.name} holds {found}: it should hold one; unpack it, and give the scans one by one")
    return names[0]


def _is_scan(name: str, endings: Collection[str]) -> bool:
    file = PurePosixPath(name)
    return file.suffix.lower() in endings and not name.endswith("/") and "__MACOSX" not in file.parts


@contextmanager
def unpacked(path: Path, endings: Collection[str]) -> Iterator[Path]:
    """The scan file itself, or the one in an archive, unpacked into a folder that goes when the reader is done."""
    if path.suffix.lower() not in ENDINGS:
        yield path
        return
    name = inner(path, endings)
    with tempfile.TemporaryDirectory(prefix="barerail-", ignore_cleanup_errors=True) as folder:
        file = Path(folder) / PurePosixPath(name).name
        try:
            _unpack(path, name, file)
        except OSError as error:
            raise disk_error(error, file) from error
        try:
            yield file
        except DataError as error:
            raise DataError(f"{path.name}: {error}") from error


def _unpack(path: Path, name: str, file: Path) -> None:
    with file.open("wb") as out:
        if path.suffix.lower() == ".gz":
            with gzip.open(path) as stream:
                shutil.copyfileobj(Counted(stream, most(path.stat().st_size), path), out, _PIECE)  # type: ignore[arg-type]
        else:
            with opened(path) as archive:
                shutil.copyfileobj(member(archive, name, path), out, _PIECE)
