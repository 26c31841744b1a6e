"""Fuses the cleaned segments of a part into one open surface, vehicle frame; binds the rule to ``nightbay.fuse``."""

from nightbay import fuse, stage

stage.run(snakemake, fuse.fuse)  # noqa: F821
