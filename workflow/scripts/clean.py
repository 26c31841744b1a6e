"""Takes strays, clusters, ground and surroundings out of one segment; binds the rule to ``nightbay.clean``."""

from nightbay import clean, stage

stage.run(snakemake, clean.clean)  # noqa: F821
