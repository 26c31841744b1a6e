"""Joins the interior of a job to its exterior."""

from nightbay.join import join
from nightbay.pipeline import stage

stage.run(snakemake, join.join)  # noqa: F821
