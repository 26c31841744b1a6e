"""Measures a part: dimensions, sections, left against right."""

from nightbay import measure, stage

stage.run(snakemake, measure.measure)  # noqa: F821
