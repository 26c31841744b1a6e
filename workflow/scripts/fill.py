"""Closes small gaps of a part's surface and lists the openings that stay."""

from nightbay import fill, stage

stage.run(snakemake, fill.fill)  # noqa: F821
