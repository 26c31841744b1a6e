"""Closes small gaps of a part's surface and lists the openings that stay."""

from nightbay.fill import fill
from nightbay.pipeline import stage

stage.run(snakemake, fill.fill)  # noqa: F821
