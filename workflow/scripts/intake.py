"""Reads one raw export, checks it and leaves it as a working cloud."""

from nightbay import intake, stage

stage.run(snakemake, intake.intake)  # noqa: F821
