"""Runs commands as another user, who owns nothing of the project and has no home, no name and no rights."""

import shutil
import subprocess
import sys
from pathlib import Path

NUMBER = 64242  # of the user, who is not in /etc/passwd
# Folders above the base Python may be closed to others, such as /root: in mounts of its own the command sees only what
# it needs of them. `$1`: the topmost folder that others may not enter, or nothing; `$2`: the base Python's own.
OPENED = """
if [ -n "$1" ]; then
    mount --bind "$2" /mnt && mount -t tmpfs -o mode=755 tmpfs "$1" || exit 99
    mkdir -p "$2" && mount --move /mnt "$2" || exit 99
fi
shift 2
exec "$@"
"""


def why_not():
    """Why commands can't be run as another user here; empty where they can."""
    for tool in ("unshare", "setpriv"):
        if not shutil.which(tool):
            return f"{tool} is not there (in Debian's package util-linux)"
    done = run(sys.executable, "-c", "", env={})
    return "" if done.returncode == 0 else f"commands can't be run as another user here: {done.stderr.strip()}"


def run(*command, **process):
    """Run a command as that user, in mounts of its own: the finished process with its output as text."""
    python = Path(sys.base_prefix).resolve()
    closed = [folder for folder in reversed(python.parents) if not folder.stat().st_mode & 0o001]
    as_user = ["setpriv", f"--reuid={NUMBER}", f"--regid={NUMBER}", "--clear-groups", "--bounding-set=-all"]
    opened = ["unshare", "--mount", "bash", "-c", OPENED, "-", str(closed[0]) if closed else "", str(python)]
    command = [*opened, *as_user, "--inh-caps=-all", *command]
    return subprocess.run(command, capture_output=True, text=True, check=False, **process)
