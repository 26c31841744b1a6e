"""Nightbay's geometry and bookkeeping: one idea a module, no Snakemake in here."""

import hashlib
import os
from pathlib import Path


def _kernel_store():
    """Give every state of the kernels a store of its own, unless the caller has named one.

    Numba keeps a compiled kernel by the file that defines it, and does not see that a kernel which it calls, or a
    constant which it uses, has changed in another file: after an update the night would go on with the old one.
    """
    folder = Path(__file__).parent
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        content = path.read_bytes()
        if b"numba" in content:
            digest.update(content)
    if os.access(folder, os.W_OK):
        os.environ.setdefault("NUMBA_CACHE_DIR", str(folder / "__pycache__" / f"kernels-{digest.hexdigest()[:12]}"))


_kernel_store()
