"""A command of the user's choice that is called when a night has ended."""

import os
import shutil
import signal
import subprocess
from pathlib import Path

from nightbay.core.errors import Rejected


def command(name: str, day: Path) -> str:
    """The full path of the program ``name``. Raises :class:`Rejected` where there is none, or where it lies in the day,
    whose files others brought."""
    found = shutil.which(name)
    if not found:
        raise Rejected(
            f"--notify is '{name}', which is not a program that can be run: give its path, and make it executable."
        )
    path = os.path.abspath(found)
    if any(Path(place).is_relative_to(day.resolve()) for place in (path, os.path.realpath(path))):
        raise Rejected(
            f"--notify is '{name}', which lies in the day folder, and nothing of a day is run: move it elsewhere."
        )
    return path


def notify(program: str, outcome: str, board: Path, seconds: float) -> str | None:
    """Call the program with two arguments, the outcome and the path of the board; a sentence where that failed."""
    try:
        done = subprocess.run(
            [program, outcome, str(board)],
            stdin=subprocess.DEVNULL,
            cwd="/",
            timeout=seconds,
            check=False,
            preexec_fn=lambda: signal.pthread_sigmask(signal.SIG_SETMASK, ()),  # the night has signals wait
        )
    except OSError as error:
        return f"The notification {program} could not be run ({error.strerror}): see that it is executable."
    except subprocess.TimeoutExpired:
        return f"The notification {program} was ended after {seconds:.0f} s: let it leave long work to the background."
    if done.returncode:
        return f"The notification {program} failed with exit code {done.returncode}: try it with {outcome} {board}."
    return None
