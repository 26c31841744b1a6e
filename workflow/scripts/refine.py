"""Poses of a part's segments, improved by the surfaces in their overlaps; kept only where they are better."""

from nightbay import refine, stage

stage.run(snakemake, refine.refine)  # noqa: F821
