"""Access to libraries with native code: Open3D without its messages, and the C library's heap."""

import ctypes
from functools import cache
from types import ModuleType


@cache
def open3d() -> ModuleType:
    """The Open3D module, which prints nothing but errors. It is imported at the first call, which takes seconds."""
    import open3d as o3d

    o3d.utility.set_verbosity_level(o3d.utility.VerbosityLevel.Error)
    return o3d


def trim_heap() -> None:
    """Return freed memory to the system, where the C library can do that (glibc).

    The allocator keeps small pieces that were freed, and the system counts them as memory of the process.
    """
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
