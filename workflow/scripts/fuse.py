"""Fuses the cleaned segments of a part into one open surface in the vehicle frame."""

from nightbay.fuse import fuse
from nightbay.pipeline import stage

stage.run(snakemake, fuse.fuse)  # noqa: F821
