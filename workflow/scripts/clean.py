"""Removes outliers, clusters, ground and surroundings from one segment; binds the rule to ``nightbay.clean.clean``."""

from nightbay.clean import clean
from nightbay.pipeline import stage

stage.run(snakemake, clean.clean)  # noqa: F821
