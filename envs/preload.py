"""Loads the system libraries that the set-up brought into this environment, where the machine has none of its own.

``system_libraries.py`` installs this file as a package beside those libraries, and every interpreter of the environment
imports it when it starts. All that need a library find it by its name once it is loaded. Its symbols stay local, so
nothing else that a process loads is changed by it, and child processes inherit nothing.
"""

import ctypes
import os

FOLDER = os.path.dirname(os.path.abspath(__file__))


def load(name):
    """Whether the library ``name`` is loaded: the system's, or else the one in this folder."""
    for place in (name, os.path.join(FOLDER, name)):
        try:
            ctypes.CDLL(place)
            return True
        except OSError:
            pass
    return False


waiting, left = None, [name for name in sorted(os.listdir(FOLDER)) if ".so." in name]
while left != waiting:  # a library may need another one that comes later
    waiting, left = left, [name for name in left if not load(name)]
