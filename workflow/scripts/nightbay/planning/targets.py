"""Which targets the night run asks Snakemake for.

Usage: python -m nightbay.planning.targets DAY [JOBS]
Plans the day and prints the reports to ask for, one a line; says which jobs are refused.
"""

import sys
from pathlib import Path

from nightbay.core.errors import Rejected
from nightbay.planning import day as day_plan
from nightbay.planning import night, parameters, yaml_file


def targets(day: Path, only: list[str] | None = None) -> tuple[list[str], list[str]]:
    """The reports to ask Snakemake for, and a line on each job that is refused. Raises :class:`Rejected`."""
    defaults = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config/config.yaml")
    found = day_plan.plan(day, defaults, only)
    reports = [f"results/{job}/report/{job}.json" for job in found.jobs]
    refused = [f"{job} is refused: {sentence}" for job, sentences in found.refused.items() for sentence in sentences]
    return reports, refused


def main(arguments: list[str]) -> None:
    """Entry of ``python -m nightbay.planning.targets``."""
    match arguments:
        case [day, *jobs]:
            try:
                reports, refused = targets(
                    Path(day), [name for listed in jobs for name in listed.split(",") if name] or None
                )
            except Rejected as rejection:
                night.show([str(rejection)], sys.stderr)
                sys.exit(2)
            night.show(refused, sys.stderr)
            night.show(reports)
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
