"""Measures a part: dimensions, sections, left against right."""

from nightbay.measure import measure
from nightbay.pipeline import stage

stage.run(snakemake, measure.measure)  # noqa: F821
