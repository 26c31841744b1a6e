"""The SLURM jobs of a day: by their names a night that was ended, or that died, takes them with it.

Usage: python -m nightbay.planning.cluster name DAY | cancel DAY [SECONDS]
    name     what the names of a day's SLURM jobs begin with
    cancel   cancel those that an earlier night left, and wait up to SECONDS (0) until they are gone
"""

import hashlib
import shutil
import subprocess
import sys
import time
from pathlib import Path

from nightbay.core.errors import Rejected

COMMANDS = ("sbatch", "squeue", "scancel", "sacct")
POLL_S = 2.0


def job_name(day: Path) -> str:
    """What the names of a day's SLURM jobs begin with: the same for every night of this folder, and for no other."""
    return f"nightbay-{hashlib.sha256(bytes(day.resolve())).hexdigest()[:12]}"


def cancel(day: Path, wait_s: float = 0.0) -> int:
    """Cancel the SLURM jobs that an earlier night of the day left; returns how many there were.

    Raises :class:`Rejected` where SLURM does not answer, or where jobs are still there after ``wait_s`` seconds: two
    nights would write the same files. Without ``wait_s`` nothing is waited for.
    """
    absent = [command for command in COMMANDS if not shutil.which(command)]
    if absent:
        raise Rejected(
            f"Stages of {day} run as SLURM jobs, and SLURM's {absent[0]} is not on PATH here: start its night on a"
            " login node of the cluster."
        )
    left = _left(job_name(day))
    if left:
        _slurm("scancel", "--quiet", *left)
    until = time.monotonic() + wait_s
    while wait_s and (still := _left(job_name(day))):
        if time.monotonic() > until:
            raise Rejected(
                f"SLURM job {still[0]} of an earlier night still works on {day} and can't be cancelled: wait until it"
                " has ended, or let its owner or SLURM's administrator cancel it."
            )
        time.sleep(POLL_S)
    return len(left)


def _left(name: str) -> list[str]:
    """Numbers of the jobs that wait, run or are being ended, whoever started them."""
    rows = [line.split() for line in _slurm("squeue", "--noheader", "--all", "--format=%i %j").splitlines()]
    return [number for number, of in filter(lambda row: len(row) == 2, rows) if of.startswith(name)]


def _slurm(*command: str) -> str:
    """What a command of SLURM prints."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        said = (done.stderr or done.stdout).strip().splitlines() or [f"exit code {done.returncode}"]
        raise Rejected(f"SLURM does not answer {command[0]} ({said[-1]}): try again, or tell its administrator.")
    return done.stdout


def main(arguments: list[str]) -> None:
    """Entry of ``python -m nightbay.planning.cluster``."""
    match arguments:
        case ["name", day]:
            print(job_name(Path(day)))
        case ["cancel", day, *wait]:
            try:
                cancelled = cancel(Path(day), float(wait[0]) if wait else 0.0)
            except Rejected as rejection:
                sys.exit(str(rejection))
            if cancelled:
                jobs = "1 SLURM job" if cancelled == 1 else f"{cancelled} SLURM jobs"
                print(f"Cancelled: {jobs} of the night before.", file=sys.stderr)
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
