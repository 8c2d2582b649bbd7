"""Stage records in the job's work/ folder; a scan's arrays as plain .npy, memory-mapped when they come back."""

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from barerail.records import CleanScan, Scan
from barerail.store import codec
from barerail.store.files import Content

_ARRAYS = ("points", "normals", "triangles")


def contents(stage: str, record: Any, scan: Scan | None = None) -> dict[str, Content]:
    """The work files of a stage's record, by path in the job; arrays that are those of `scan`, as read, only once."""
    if not isinstance(record, Scan):
        shared = {"scan": record.scan} if isinstance(record, CleanScan) else {}
        return {_file(stage): partial(codec.write, record, shared=shared)}
    joining = stage == "join" and scan is not None
    kept = {_array_file("read", name): getattr(scan, name) for name in _ARRAYS} if joining else {}
    arrays = {_array_file(stage, name): value for name in _ARRAYS if (value := getattr(record, name)) is not None}
    new = {file: value for file, value in arrays.items() if not any(value is old for old in kept.values())}
    saved: dict[str, Content] = {file: partial(_save, value) for file, value in new.items()}
    return saved | {_file(stage): partial(codec.write, record, shared=kept | new)}


def load(folder: Path, stage: str, scan: Scan | None = None) -> Any:
    """A stage's record from the job `folder`; a CleanScan stands on `scan`."""
    shared: Mapping[str, Any] = {"scan": scan} if scan is not None else {}
    if stage in ("read", "join"):
        files = [_array_file(of, name) for of in ("read", "join") for name in _ARRAYS]
        shared = {file: _mapped(folder / file) for file in files if (folder / file).exists()}
    with (folder / _file(stage)).open("rb") as stream:
        return codec.read(stream, shared)


def _file(stage: str) -> str:
    return f"work/{stage}.npz"


def _array_file(stage: str, name: str) -> str:
    return f"work/{'scan' if stage == 'read' else stage}-{name}.npy"


def _save(array: np.ndarray[Any, Any], stream: Any) -> None:
    np.save(stream, array, allow_pickle=False)


def _mapped(path: Path) -> np.ndarray[Any, Any]:
    # asarray: a plain array over the same pages; the memmap class slows slicing.
    return np.asarray(np.load(path, mmap_mode="r", allow_pickle=False))
