"""Writes the levels of a part in open formats, with a checksum list."""

from nightbay import deliver, stage

stage.run(snakemake, deliver.deliver)  # noqa: F821
