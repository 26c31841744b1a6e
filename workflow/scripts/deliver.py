"""Writes the levels of a part in open formats, with a checksum list."""

from nightbay.deliver import deliver
from nightbay.pipeline import stage

stage.run(snakemake, deliver.deliver)  # noqa: F821
