"""The door to open3d: the one place where it is imported, late, since it is slow to load and wants libusb."""

import ctypes
from functools import cache
from types import ModuleType


@cache
def open3d() -> ModuleType:
    """open3d, which asks for libusb-1.0 even where no camera is used; the copy in libusb-package serves."""
    try:
        import libusb_package

        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        pass
    import open3d as o3d

    return o3d
