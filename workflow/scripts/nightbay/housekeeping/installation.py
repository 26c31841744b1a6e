"""What older versions have left in the installation: compiled kernels, and environments."""

import os
import shutil
import sys
from pathlib import Path

from nightbay.core.paths import SCRIPTS, WORKFLOW

KERNELS = SCRIPTS / "nightbay" / "__pycache__"
ENVIRONMENTS = WORKFLOW.parent / "envs" / ".venvs"


def older_kernels() -> list[Path]:
    """Folders of compiled kernels of other versions; none where this version's are not kept beside them."""
    current = Path(os.environ.get("NUMBA_CACHE_DIR", "/"))
    if current.parent != KERNELS:
        return []
    return sorted(folder for folder in KERNELS.glob("kernels-*") if folder != current)


def free_kernels() -> None:
    """Remove them. One that still runs has its kernels in memory, and compiles again what it needs later."""
    for folder in older_kernels():
        shutil.rmtree(folder, ignore_errors=True)


def other_environments() -> list[Path]:
    """Environments that this Python does not run from; a night may still run from one of them."""
    own = Path(sys.prefix).resolve()
    return sorted(folder for folder in ENVIRONMENTS.glob("*") if folder.is_dir() and folder.resolve() != own)
