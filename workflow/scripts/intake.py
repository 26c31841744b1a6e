"""Reads one raw export, checks it and leaves it as a working cloud."""

from nightbay.intake import intake
from nightbay.pipeline import stage

stage.run(snakemake, intake.intake)  # noqa: F821
