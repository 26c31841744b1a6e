"""Tests in several processes compile each loop once: the first process does, the others wait and load it."""

import fcntl
import os
from pathlib import Path

import nightbay  # noqa: F401  names the store of compiled loops, which Numba asks for once: it comes first

# isort: split
from numba.core.compiler_lock import global_compiler_lock
from numba.core.dispatcher import Dispatcher

compile_alone = Dispatcher.compile
compiling = set()


def compile_once(dispatcher, signature):
    """The compiled loop for a signature, from the store where another process has compiled it meanwhile.

    Numba's own lock is taken first, and a loop comes before those that it calls, so that nobody waits in a circle.
    """
    name = f"{dispatcher.py_func.__module__}.{dispatcher.py_func.__qualname__}"
    store = os.environ.get("NUMBA_CACHE_DIR", "")
    with global_compiler_lock:
        if not store or name in compiling or not name.startswith("nightbay."):  # of Numba's own, nothing is stored
            return compile_alone(dispatcher, signature)
        locks = Path(store, "locks")
        locks.mkdir(parents=True, exist_ok=True)
        compiling.add(name)
        try:
            with open(locks / name, "w") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX)
                return compile_alone(dispatcher, signature)
        finally:
            compiling.discard(name)


Dispatcher.compile = compile_once
