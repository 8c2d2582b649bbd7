"""Decoders that misbehave as native ones do on hostile files; test_apart.py has them run in a process of their own."""

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from barerail.errors import DataError
from barerail.store.raw import Raw

BLOCK = Raw(np.arange(30.0).reshape(10, 3), np.ones((10, 3), np.float32), unit="m", remarks=("said",), promised=10)


def works(path: Path) -> Iterator[Raw]:
    yield from (BLOCK, BLOCK)


def refuses(path: Path) -> Iterator[Raw]:
    yield BLOCK
    raise DataError(f"{path.name}: no")


def dies(path: Path) -> Iterator[Raw]:
    yield BLOCK
    os.kill(os.getpid(), signal.SIGSEGV)


def leaves(path: Path) -> Iterator[Raw]:
    os._exit(7)
    yield BLOCK


def faults(path: Path) -> Iterator[Raw]:
    raise RuntimeError("a fault")
    yield BLOCK


def hangs(path: Path) -> Iterator[Raw]:
    yield BLOCK
    time.sleep(600)


def spins(path: Path) -> Iterator[Raw]:
    yield BLOCK
    while True:
        pass


def gorges(path: Path) -> Iterator[Raw]:
    yield Raw(np.ones((2**28, 3)))


def babbles(path: Path) -> Iterator[Raw]:
    os.write(1, b'{"rows": -5, "normals": false}\n')
    yield BLOCK
