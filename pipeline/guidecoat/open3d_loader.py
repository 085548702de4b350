"""The one place that imports open3d, which is large and wants a library bare machines lack."""

from __future__ import annotations

import ctypes
import sys
from types import ModuleType

from .errors import GuidecoatError


def load_open3d() -> ModuleType:
    """Import open3d, with libusb from the package `libusb_package` where the system has none.

    Raises
    ------
    GuidecoatError
        open3d is not installed or does not load here.
    """
    try:
        if sys.platform == "linux":
            _preload_libusb()
        import open3d
    except (ImportError, OSError) as error:
        raise GuidecoatError(
            f"open3d does not load ({error}); install it with: pip install open3d-cpu "
            "libusb-package (open3d alone where open3d-cpu is not to be had)"
        ) from error
    module: ModuleType = open3d
    return module


def _preload_libusb() -> None:
    """Make libusb-1.0 known to the loader, as open3d's own library asks for it by name."""
    try:
        ctypes.CDLL("libusb-1.0.so.0", mode=ctypes.RTLD_GLOBAL)
    except OSError:
        import libusb_package

        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
