"""Poses of a part's segments, improved by the surfaces in their overlaps; kept only where they are better."""

from nightbay.pipeline import stage
from nightbay.refine import refine

stage.run(snakemake, refine.refine)  # noqa: F821
