"""The door to open3d: the one place where it is imported, late, since it is slow to load and wants libusb."""

import ctypes
import sys
from contextlib import suppress
from functools import cache
from threading import Thread
from types import ModuleType


@cache
def open3d() -> ModuleType:
    """open3d, which asks for libusb-1.0 even where no camera is used; the copy in libusb-package serves.

    It loads dash, too, for pages in a notebook, which takes as long as itself: a stand-in serves.
    """
    try:
        import libusb_package

        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        pass
    dash = ModuleType("dash")
    dash.html = dash.dcc = dash.Dash = None  # type: ignore[attr-defined]
    loaded = sys.modules.setdefault("dash", dash)
    try:
        import open3d as o3d
    finally:
        if loaded is dash:
            del sys.modules["dash"]
    return o3d


def open3d_soon() -> Thread:
    """Loads it beside what goes on meanwhile: numpy leaves the interpreter to others while it works.

    To be joined before the process forks. Whatever goes wrong is said where it is asked for.
    """

    def load() -> None:
        with suppress(ImportError, OSError):
            open3d()

    loading = Thread(target=load)
    loading.start()
    return loading
