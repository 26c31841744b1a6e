"""Loads the libraries with native code the one way that works everywhere, with their threads capped."""

import ctypes
import os
from functools import cache


@cache
def open3d():
    """The Open3D module, silent but for errors."""
    import open3d as o3d

    o3d.utility.set_verbosity_level(o3d.utility.VerbosityLevel.Error)
    return o3d


def cap_threads(threads):
    """Hold OpenMP, BLAS, TBB and Numba to ``threads``. Call it before the first of them is imported."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS", "TBB_NUM_THREADS"):
        os.environ[name] = str(threads)


def give_back():
    """Hand memory that was freed in small pieces back to the system, where its C library can (glibc)."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
